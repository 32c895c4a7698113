"""What leaves the tables of streams, sources and universes with time: who was heard for moments only, and who was not
heard for a day."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NEVER_NS
from slotwatch.model.admission import BRIEF_NS, FORGET_BRIEF_NS, MOST_BRIEF, MOST_CLONES, MOST_UNIVERSES
from slotwatch.model.streams import Streams
from slotwatch.model.universes import LEAVING_NS, ended_by_leaving

DAY_NS = 86_400_000_000_000
PASSING_NS = 45_000_000_000
"""Who was heard for less than this passed by. As many seconds after it fell silent, no rule asks for it any more."""
MANY_REMOVED = 1024
"""Rows that a flood left empty, from which their memory is given back: some 6 MiB."""


class EmptyRows:
    """Gives back the memory of rows that a flood filled, once nothing comes or goes between two looks."""

    def __init__(self) -> None:
        self._turnover = -1

    def look(self, streams: Streams) -> None:
        """Make columns anew where most rows that were written hold nothing any more."""
        before, self._turnover = self._turnover, streams.turnover
        if before != streams.turnover or streams.removed < MANY_REMOVED or streams.filled > streams.top // 2:
            return
        streams.make_anew()
        streams.universes.make_anew()
        # Compiled code is told of all columns again with it.
        streams.windows.fit(anew=True)


class BriefLooks:
    """The looks for what a flood left, and until when the next ones find nothing. Times are monotonic nanoseconds."""

    def __init__(self, streams: Streams) -> None:
        self._streams = streams
        self._looked_ns = 0
        self._left: tuple[int | bytes, ...] | None = None
        """What the last look went by, if it forgot nothing."""

    def look(self, now_ns: int) -> None:
        """Forget what a flood left."""
        self._left = None
        if not self._streams.is_crowded:
            return
        before = self._goes_by()
        _forget_brief(self._streams, now_ns)
        self._looked_ns = now_ns
        if self._goes_by() == before:
            self._left = before

    def holds_until_ns(self, *, may_send: bool) -> int | None:
        """Until when looks forget nothing; None where that is not known.

        may_send: live streams send on, and nothing else comes. Otherwise nothing comes at all.
        """
        streams, sources = self._streams, self._streams.sources
        if not streams.is_crowded:
            return NEVER_NS
        if self._left is None or self._left != self._goes_by():
            return None
        rows, known = streams.rows(), sources.rows()
        live = streams.live[rows]
        if may_send:
            sends = np.zeros(sources.capacity, np.bool_)
            sends[streams.source[rows[live]]] = True
            known = known[~sends[known]]
        rows = rows[~live]
        first_ns = np.concatenate((streams.first_packet_ns[rows], sources.first_seen_ns[known]))
        last_ns = np.concatenate((streams.last_packet_ns[rows], sources.last_seen_ns[known]))
        kept_ns = _kept_ns(np.minimum(last_ns - first_ns, PASSING_NS))
        ends_ns = np.concatenate(
            (last_ns + FORGET_BRIEF_NS, last_ns + kept_ns, streams.last_packet_ns[rows] + streams.timeout_ns[rows])
        )
        return int(ends_ns.min(where=ends_ns >= self._looked_ns, initial=NEVER_NS))

    def _goes_by(self) -> tuple[int | bytes, ...]:
        """All that decides what a look forgets, but for the time and for packets of who is silent."""
        streams, sources, universes = self._streams, self._streams.sources, self._streams.universes
        columns = (streams.live, sources.invents, sources.declared, universes.declared)
        return streams.turnover, sources.turnover, *(column.tobytes() for column in columns)


def forget_left(streams: Streams, now_ns: int) -> None:
    """Forget universes that this computer asked for, that no declaration names and that ended when it left them."""
    universes = streams.universes
    if not np.count_nonzero(universes.left_ns):
        return
    gone = universes.used & ended_by_leaving(universes) & (universes.live == 0)
    gone &= now_ns - universes.left_ns > LEAVING_NS
    if gone.any():
        rows = streams.rows()
        for row in rows[gone[streams.universe[rows]]].tolist():
            streams.forget(row)


def _forget_brief(streams: Streams, now_ns: int) -> None:
    """Forget what a flood left: streams and sources that were heard for moments only, long ago.

    A few of them are not a flood, and a person may look for them: they stay for a day, like the others. So do those
    that pass for a declared source.
    """
    rows = streams.rows()
    idle, brief, _, last_ns, packets = streams.standing(rows, now_ns)
    if _forget_passed_by(streams, rows[idle], packets[idle], now_ns):
        rows = streams.rows()
        idle, brief, _, last_ns, packets = streams.standing(rows, now_ns)
    sources = streams.sources
    known = sources.rows()
    seen_ns = sources.last_seen_ns[known]
    gone = (seen_ns - sources.first_seen_ns[known] < BRIEF_NS) & (now_ns - seen_ns > FORGET_BRIEF_NS)
    left = rows[idle & brief & (now_ns - last_ns > FORGET_BRIEF_NS)]
    # What each passes for: 0 for no declared source.
    passes_for = sources.declared + 1
    counts = np.zeros(int(passes_for.max()) + 1, np.int64)
    for some in (passes_for[known[gone]], passes_for[streams.source[left]]):
        np.maximum(counts, np.bincount(some, minlength=len(counts)), out=counts)
    is_flood = counts > MOST_CLONES
    is_flood[0] = counts[0] > MOST_BRIEF
    # Of those that pass for a declared source, the one that sent most stays: it may be the real one.
    sent = np.zeros(sources.capacity, np.int64)
    np.add.at(sent, streams.source[rows], packets)
    for number in is_flood[1:].nonzero()[0] + 1:
        which = known[passes_for[known] == number]
        stays = which[np.argmax(sent[which])]
        left, gone = left[streams.source[left] != stays], gone & (known != stays)
    of_crowd = _of_crowds(streams) & (passes_for == 0)
    for row in left[is_flood[passes_for[streams.source[left]]] | of_crowd[streams.source[left]]].tolist():
        streams.forget(row)
    gone &= (sources.streams[known] == 0) & (is_flood[passes_for[known]] | of_crowd[known])
    for source in known[gone].tolist():
        sources.forget(source)


def _forget_passed_by(streams: Streams, rows: NDArray[np.intp], packets: NDArray[np.int64], now_ns: int) -> bool:
    """Forget strangers that were there for a short while, and those of senders that invent universes: with more at once
    than a network carries, or many now and then. Senders go if they were there for a short while only. On a declared
    universe they stay while nobody sends it: they may be what was lost.

    rows: silent streams. packets: how many each sent. Returns whether any was forgotten.
    """
    sources, of = streams.sources, streams.source[rows]
    first_ns, last_ns = streams.first_packet_ns[rows], streams.last_packet_ns[rows]
    lived_ns, silent_ns = last_ns - first_ns, now_ns - last_ns
    # Packets too few to keep it alive all the time: the same universe drawn again now and then.
    seldom = packets * streams.timeout_ns[rows] < lived_ns
    seldom &= last_ns - np.maximum(streams.since_ns[rows], first_ns) < PASSING_NS
    # Once nothing of it is left, it is a sender like any other again.
    left = of[streams.universes.declared[streams.universe[rows]] < 0]
    sources.invents[:] &= np.bincount(left, minlength=sources.capacity) > 0
    sources.invents[:] |= sources.streams > MOST_UNIVERSES
    sources.invents[:] |= np.bincount(of[seldom], minlength=sources.capacity) > MOST_BRIEF
    passed = (lived_ns >= BRIEF_NS) & (lived_ns < PASSING_NS) & (silent_ns > _kept_ns(lived_ns))
    passed |= sources.invents[of] & (silent_ns > FORGET_BRIEF_NS)
    universes, on = streams.universes, streams.universe[rows]
    passed &= (sources.declared[of] < 0) & ((universes.declared[on] < 0) | (universes.live[on] > 0))
    of_crowd = _of_crowds(streams)
    if np.count_nonzero(passed) <= MOST_BRIEF and not sources.invents[of[passed]].any():
        passed &= of_crowd[of]
    for row in rows[passed].tolist():
        streams.forget(row)
    known = sources.rows()
    known = known[(sources.declared[known] < 0) & (sources.streams[known] == 0)]
    seen_for_ns = sources.last_seen_ns[known] - sources.first_seen_ns[known]
    gone = (seen_for_ns < PASSING_NS) & (seen_for_ns >= BRIEF_NS)
    gone &= now_ns - sources.last_seen_ns[known] > _kept_ns(seen_for_ns)
    if np.count_nonzero(gone) <= MOST_BRIEF:
        gone &= of_crowd[known]
    for source in known[gone].tolist():
        sources.forget(source)
    return bool(np.count_nonzero(passed))


def _of_crowds(streams: Streams) -> NDArray[np.bool_]:
    """Which sources have an identity that was forged at many addresses, by row."""
    sources = streams.sources
    of_crowd = np.zeros(sources.capacity, np.bool_)
    for identity in sources.crowds:
        of_crowd[sources.addresses[identity]] = True
    return of_crowd


def _kept_ns(lived_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """For how long who passed by is kept: as long as its universe is reported as lost."""
    return np.maximum(lived_ns, FORGET_BRIEF_NS)


def forget_old(streams: Streams, now_ns: int) -> None:
    """Forget undeclared streams, and sources without any, that were not heard for a day."""
    top = streams.top
    for row in (streams.used[:top] & (now_ns - streams.last_packet_ns[:top] > DAY_NS)).nonzero()[0].tolist():
        if streams.sources.declared[streams.source[row]] < 0:
            streams.forget(row)
    sources = streams.sources
    top = sources.top
    old = sources.used[:top] & (sources.streams[:top] == 0) & (now_ns - sources.last_seen_ns[:top] > DAY_NS)
    for row in old.nonzero()[0].tolist():
        sources.forget(row)
