"""The last answers of the house's other listeners, compared with what is heard here. No clock is shared.

Each side measures its own ages. The moment of a frame there is the moment at which this listener asked, less the age
that the answer gives. It may be a quarter of a second late, since an answer may be so old. No rule here goes by less
than a second.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import Network
from slotwatch.house.witnesses import DeclaredListener
from slotwatch.judge.pass_names import PassNames
from slotwatch.snapshot.elsewhere import HeardElsewhere, ListenerRow, UniverseElsewhere
from slotwatch.wire.observation import ListenerSeen, StreamElsewhere
from slotwatch.wire.universe import Protocol

STALE_NS = 3 * NANOSECONDS
"""An answer older than this is not evidence: three requests have failed, or judging there has stopped."""
INTERVALS_AGE_NS = 4 * NANOSECONDS
"""How old the intervals in an answer may be: they are worked out every 2 s, and an answer is as old as a second."""
MOST_OTHERS = 64
MOST_EACH = 24
"""Universes of an incident that are listed separately: as many as are drawn."""
COMPARED = frozenset({Protocol.E131, Protocol.ARTNET})
"""Lines have names that mean something at their own listener only."""


@dataclass(slots=True)
class Positions:
    """Another listener's newest frames, by row of this listener's universe table. Shapes (U,)."""

    last_ns: NDArray[np.int64]
    """On this listener's clock; 0: never heard there."""
    ended: NDArray[np.bool_]
    """Its source sent there that it stops."""
    judged: NDArray[np.bool_]
    """Whether silence there means something."""
    winners: dict[int, StreamElsewhere]
    """The stream that wins there, by row; rows without one are left out."""
    live: dict[int, frozenset[str]]
    """Sources that are live there, by row; rows without any are left out."""


@dataclass(slots=True)
class OtherListener:
    """One other listener. Times are monotonic ns of this one."""

    name: str
    asked_ns: int = 0
    reached_ns: int = 0
    """0: never yet."""
    answered_ns: int = 0
    """When the newest streams were asked for; 0: there are none."""
    reason: str = ""
    streams: tuple[StreamElsewhere, ...] = ()
    _by_identity: dict[tuple[str, str], list[StreamElsewhere]] | None = None
    _shares_names: tuple[tuple[Network, ...], bool] | None = None
    """The networks of this house, and whether it has several and one of their names is used there too."""
    _positions: Positions | None = None
    _of: tuple[int, int] = (0, 0)

    def is_well(self, now_ns: int) -> bool:
        """Whether its last answer is new enough to be evidence."""
        return self.answered_ns > 0 and now_ns - self.answered_ns <= STALE_NS

    def stream_of(self, ctx: PassNames, row: int) -> StreamElsewhere | None:
        """Give what it hears of a stream of this listener. Of several networks there: that with the newest frame."""
        if self._by_identity is None:
            self._by_identity = {}
            for stream in self.streams:
                self._by_identity.setdefault((stream.universe, stream.source), []).append(stream)
        universe = ctx.universe_of(row)
        identity = ctx.universe_id(universe)
        if identity.protocol not in COMPARED:
            return None
        found = self._by_identity.get((str(identity), ctx.source_key(ctx.source_of(row))), [])
        same = self.on_same_network(ctx, found, int(ctx.universes.network[universe]))
        return min(same, key=lambda one: one.age_ns or 0, default=None)

    def on_same_network(
        self, ctx: PassNames, streams: Sequence[StreamElsewhere], network: int
    ) -> Sequence[StreamElsewhere]:
        """Leave out what it hears on its other networks. Where no name of a network is used at both, all may be."""
        ours = ctx.house.networks
        if self._shares_names is None or self._shares_names[0] is not ours:
            names = {ctx.network_name(one) for one in range(len(ours))}
            self._shares_names = ours, len(names) > 1 and any(one.network in names for one in self.streams)
        if not self._shares_names[1]:
            return streams
        return [one for one in streams if one.network == ctx.network_name(network)]

    def positions(self, ctx: PassNames) -> Positions:
        """Compare its newest frames with this listener's universes, row by row; worked out once for each answer."""
        of = self.answered_ns, ctx.model.universes.revision
        if self._positions is None or self._of != of:
            self._of, self._positions = of, _laid(ctx, self)
        return self._positions


class Elsewhere:
    """All other listeners by name."""

    def __init__(self) -> None:
        self._others: dict[str, OtherListener] = {}

    def take(self, seen: ListenerSeen) -> None:
        if seen.name not in self._others and len(self._others) >= MOST_OTHERS:
            return
        other = self._others.setdefault(seen.name, OtherListener(seen.name))
        other.asked_ns, other.reason = seen.t_ns, seen.reason
        if seen.reached:
            other.reached_ns = seen.t_ns
        if seen.streams is not None:
            other.answered_ns, other.streams = seen.t_ns, seen.streams
            other._by_identity = other._shares_names = None

    def get(self, name: str) -> OtherListener | None:
        """None: it was never asked."""
        return self._others.get(name)

    def well(self, ctx: PassNames) -> list[tuple[DeclaredListener, OtherListener]]:
        """Declared listeners whose answers are evidence now."""
        found = ((one, self._others.get(one.name)) for one in ctx.house.listeners)
        return [(one, other) for one, other in found if other is not None and other.is_well(ctx.now_ns)]


def declared_listener(ctx: PassNames, name: str) -> DeclaredListener:
    """Give the declaration of a listener that a case is about."""
    return next(one for one in ctx.house.listeners if one.name == name)


def say_page(declared: DeclaredListener) -> str:
    return f"The page of {declared.name}: {declared.url}"


def rows(elsewhere: Elsewhere, declared: Sequence[DeclaredListener], now_ns: int) -> tuple[ListenerRow, ...]:
    """Give each declared listener and whether it is reached."""
    found = []
    for one in declared:
        other = elsewhere.get(one.name) or OtherListener(one.name)
        reached = other.reached_ns > 0 and now_ns - other.reached_ns <= STALE_NS
        found.append(
            ListenerRow(
                one.name,
                one.url,
                one.own_name,
                reached,
                other.is_well(now_ns),
                "" if reached else other.reason,
                other.reached_ns,
                len(other.streams),
            )
        )
    return tuple(found)


def _laid(ctx: PassNames, other: OtherListener) -> Positions:
    count = ctx.universes.count
    found = Positions(np.zeros(count, np.int64), np.zeros(count, np.bool_), np.ones(count, np.bool_), {}, {})
    by_universe: dict[str, list[StreamElsewhere]] = {}
    for stream in other.streams:
        by_universe.setdefault(stream.universe, []).append(stream)
    for row in ctx.universes.used.nonzero()[0].tolist():
        identity = ctx.universe_id(row)
        streams = by_universe.get(str(identity)) if identity.protocol in COMPARED else None
        if not streams:
            continue
        same = other.on_same_network(ctx, streams, int(ctx.universes.network[row]))
        heard = [one for one in same if one.age_ns is not None and one.state != "preview-only"]
        if not heard:
            continue
        newest = min(heard, key=lambda one: one.age_ns or 0)
        found.last_ns[row] = other.answered_ns - (newest.age_ns or 0)
        found.ended[row] = newest.state == "terminated"
        found.judged[row] = all(one.judged for one in heard)
        live = [one for one in heard if one.state == "live"]
        if live:
            found.live[row] = frozenset(one.source for one in live)
            if (winner := next((one for one in live if one.wins), None)) is not None:
                found.winners[row] = winner
    return found


def continues_there(ctx: PassNames, other: OtherListener) -> NDArray[np.bool_]:
    """(U,) universes that continued there for over half their loss timeout after the last frame here, and still do."""
    universes, there = ctx.universes, other.positions(ctx)
    timeout_ns = universes.loss_timeout_ns
    found: NDArray[np.bool_] = there.last_ns - universes.last_arrival_ns > timeout_ns // 2
    return found & (there.last_ns > 0) & (other.answered_ns - there.last_ns <= timeout_ns) & ~there.ended


def stopped_there(ctx: PassNames, other: OtherListener) -> NDArray[np.bool_]:
    """(U,) universes that were heard there, and have been silent there for their loss timeout when it was asked."""
    universes, there = ctx.universes, other.positions(ctx)
    silent: NDArray[np.bool_] = other.answered_ns - there.last_ns > universes.loss_timeout_ns
    return silent & (there.last_ns > 0)


@dataclass(frozen=True, slots=True)
class IntervalsThere:
    """How evenly another listener hears one stream."""

    declared: DeclaredListener
    interval_max_ms: float
    known: bool
    """Whether they hold all gaps since the moment that was asked for."""
    answered_ns: int


def intervals_there(others: Elsewhere, ctx: PassNames, row: int, since_ns: int) -> IntervalsThere | None:
    """Give the first listener that hears this stream; None if there is none, or it was blind lately."""
    for declared, other in others.well(ctx):
        found = other.stream_of(ctx, row)
        if found is None or found.state != "live" or not found.judged or found.interval_max_ms is None:
            continue
        known = other.answered_ns - since_ns >= INTERVALS_AGE_NS
        return IntervalsThere(declared, found.interval_max_ms, known, other.answered_ns)
    return None


def heard_elsewhere(others: Elsewhere, ctx: PassNames, rows: Sequence[int]) -> tuple[HeardElsewhere, ...]:
    """Give the state of these universes at every other listener that is well."""
    if not rows or not ctx.house.listeners:
        return ()
    at = np.array(rows, np.intp)
    found = []
    for declared, other in others.well(ctx):
        there = other.positions(ctx)
        known = there.last_ns[at] > 0
        lost_here = ctx.universes.live[at] == 0
        on = known & np.where(lost_here, continues_there(ctx, other)[at], ~stopped_there(ctx, other)[at])
        oldest_ns = int(there.last_ns[at][known].min()) if known.any() else 0
        if not known.any():
            state = "not-visible"
        elif not (on | there.judged[at])[known].all():
            state = "not-judged"  # the silence of one that is blind shows nothing
        else:
            state = "steady" if on[known].all() else "faulty" if on.any() else "lost"
        age_s = round((other.answered_ns - oldest_ns) / NANOSECONDS, 3) if oldest_ns else None
        asked_wall_ns = other.answered_ns + ctx.wall_offset_ns
        each = tuple(
            UniverseElsewhere(
                ctx.universe_name(row), bool(goes_on), int(last_ns) + ctx.wall_offset_ns if last_ns > 0 else 0
            )
            for row, goes_on, last_ns in zip(rows[:MOST_EACH], on, there.last_ns[at], strict=False)
        )
        found.append(HeardElsewhere(declared.name, state, age_s, declared.url, asked_wall_ns, each))
    return tuple(found)


_WORDS = {
    "steady": 'All of it is still heard at the listener "{name}".',
    "faulty": 'Part of it is still heard at the listener "{name}".',
    "lost": 'It stopped at the listener "{name}" too.',
}


def sentences(found: Iterable[HeardElsewhere]) -> list[str]:
    """Put into words what is evidence of a loss."""
    return [_WORDS[one.state].format(name=one.listener) for one in found if one.state in _WORDS]
