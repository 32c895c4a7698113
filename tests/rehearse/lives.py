"""What must hold of the life of every incident: nothing closes, returns or changes its mind while nothing changes.

`python -m tests.rehearse.lives [--restart] [scenarios [NAME …] | drawn FIRST LAST | shows FIRST LAST | two FIRST
LAST]` prints what does not hold: of all scenarios, of drawn captures (mostly silence), or of drawn shows with up to
three faults, on one network or on two.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from slotwatch.edge.tools.capture_clock import BASE_NS
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.events import Event
from slotwatch.rehearse.anytrouble import any_trouble
from slotwatch.rehearse.anytwo import any_two
from slotwatch.rehearse.catalogue import SCENARIOS
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.scenario import Scenario
from slotwatch.snapshot import Incident
from slotwatch.wire.batch import Batch
from tests.rehearse import leaps, theatre

SECOND = 1_000_000_000
SOON_NS = 5 * SECOND
"""Too soon to close and return, or to take another cause and give it back, unless the traffic changed."""
SEEN_LATE_NS = 4 * SECOND
"""A change of the traffic may be judged so much later: a loss timeout, and a look each second."""
PAUSE_NS = 1_200_000_000
"""A stream with a longer pause changed (ANSI E1.31-2018 6.6.2: one packet a second at rest)."""
SLACK_NS = 300_000_000
"""Between a condition and the assembly that closes its incident."""
SPARSE_NS = 20 * SECOND
"""So long into a silence a replay looks once a second and less, and what is forgotten meanwhile closes at once."""
FOLLOWED = " Another fault followed: #"
"""What is back and is followed by another fault is watched no longer (docs/decisions/0029)."""
OTHERWISE_OVER = ("It is part of", "It was replaced by", "It was not found again")
"""How an incident closes whose fault is not over."""
E131_DATA = 4
"""VECTOR_ROOT_E131_DATA, last octet (ANSI E1.31-2018 appendix A)."""
FIELDS = (4, 18, 21, 108, 112, 125)
"""Octets that change with the kind of a packet: vectors, priority, options, start code (ANSI E1.31-2018 table 4-1)."""


@dataclass(frozen=True)
class Traffic:
    """When packets began, paused, ended, or became others; monotonic nanoseconds, ascending."""

    changes_ns: NDArray[np.int64]
    is_sparse: bool = False
    """Whether mostly nothing comes."""
    begins_ns: int = theatre.BASE_NS

    @classmethod
    def of(cls, batches: Iterable[Batch], seen_ns: Sequence[int]) -> Traffic:
        """seen_ns: times of observations beside packets."""
        made = [_changes(batch) for batch in [_joined(list(batches))] if batch is not None]
        return cls(np.sort(np.concatenate([*made, np.array(seen_ns, np.int64)])))

    def changed(self, from_ns: int, to_ns: int) -> bool:
        first, end = np.searchsorted(self.changes_ns, (from_ns, to_ns))
        return bool(end > first)


Packets = tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.int64]]
"""Times, what tells their series apart, and sequence numbers (-1: none)."""


def _joined(batches: list[Batch]) -> Packets | None:
    batches = [batch for batch in batches if len(batch.t_ns)]
    if not batches:
        return None
    keys = [
        np.concatenate([batch.network.astype(np.uint8)[:, None], batch.src, batch.dst, batch.data[:, FIELDS]], axis=1)
        for batch in batches
    ]
    numbers = [np.where(batch.data[:, 21] == E131_DATA, batch.data[:, 111].astype(np.int64), -1) for batch in batches]
    return np.concatenate([batch.t_ns for batch in batches]), np.concatenate(keys), np.concatenate(numbers)


def _changes(packets: Packets) -> NDArray[np.int64]:
    t_ns, keys, numbers = packets
    _, series = np.unique(keys, axis=0, return_inverse=True)
    order = np.lexsort((t_ns, series.ravel()))
    t_ns, series, numbers = t_ns[order], series.ravel()[order], numbers[order]
    begins = np.ones(len(t_ns), np.bool_)
    has_gap = (numbers[1:] >= 0) & (np.diff(numbers) % 256 != 1)
    begins[1:] = (series[1:] != series[:-1]) | (np.diff(t_ns) > PAUSE_NS) | has_gap
    ends = np.append(begins[1:], True)
    return np.concatenate([t_ns[begins], t_ns[ends]])


def of_lives(events: Iterable[Event], traffic: Traffic) -> list[str]:
    """What does not hold of these events; nothing if all is well."""
    lives = [(event, event.incident) for event in events if event.incident is not None]
    return [*_closes_early(lives, traffic), *_returns_soon(lives, traffic), *_wavers(lives, traffic)]


Life = tuple[Event, Incident]


def _closes_early(lives: list[Life], traffic: Traffic) -> Iterator[str]:
    """An incident closes once its fault has been over for its off-delay, or when it continues in another."""
    for event, one in lives:
        if event.what != "closed" or event.text.startswith(OTHERWISE_OVER):
            continue
        if not CATALOG[one.rule].off_delay_s:
            continue
        if one.returned_ns is not None and FOLLOWED in event.text:
            continue
        if traffic.is_sparse and not traffic.changed(event.t_ns - SPARSE_NS, event.t_ns):
            continue
        slack_ns = SEEN_LATE_NS if traffic.is_sparse else SLACK_NS
        if one.returned_ns is None:
            yield f"{_at(event, traffic)}: closed, though it was not over: {one.summary}"
        elif event.t_ns - one.returned_ns < CATALOG[one.rule].off_delay_s * SECOND - slack_ns:
            yield f"{_at(event, traffic)}: closed {(event.t_ns - one.returned_ns) / SECOND:.1f} s after it was over"


def _returns_soon(lives: list[Life], traffic: Traffic) -> Iterator[str]:
    """What closed does not open or return at once."""
    closed: list[Life] = []
    for event, one in lives:
        if event.what == "closed" and not one.part_of:
            closed.append((event, one))
        elif event.what in ("opened", "returned"):
            for before, other in reversed(closed):
                if event.t_ns - before.t_ns > SOON_NS:
                    break
                if one.rule != other.rule or not _is_about_the_same(one, other):
                    continue
                if not traffic.changed(before.t_ns - SEEN_LATE_NS, event.t_ns):
                    yield f"{_at(event, traffic)}: {event.what} {_apart(before, event)} after it closed ({before.text})"
                break


def _wavers(lives: list[Life], traffic: Traffic) -> Iterator[str]:
    """A cause that was given up is not taken up again at once."""
    known: dict[int, list[tuple[int, tuple[str, str]]]] = {}
    for event, one in lives:
        past = known.setdefault(one.id, [])
        verdict = one.rule, one.cause
        if past and past[-1][1] == verdict:
            past[-1] = event.t_ns, verdict
            continue
        left_ns = past[-2][0] if len(past) > 1 and past[-2][1] == verdict else 0
        is_soon = bool(left_ns) and event.t_ns - left_ns <= SOON_NS
        if is_soon and not traffic.changed(left_ns - SEEN_LATE_NS, event.t_ns):
            yield f"{_at(event, traffic)}: {verdict} again, after {past[-1][1]}: {one.summary}"
        past.append((event.t_ns, verdict))


def _is_about_the_same(one: Incident, other: Incident) -> bool:
    if one.universes or other.universes:
        return bool(set(one.universes) & set(other.universes)) and set(one.source_keys) == set(other.source_keys)
    return (set(one.source_keys), one.group) == (set(other.source_keys), other.group)


def _apart(before: Event, after: Event) -> str:
    return f"{(after.t_ns - before.t_ns) / SECOND:.2f} s"


def _at(event: Event, traffic: Traffic) -> str:
    one = event.incident
    at_s = (event.t_ns - traffic.begins_ns) / SECOND
    return f"{at_s:.2f} s #{one.id if one else 0} {one.rule if one else ''}"


# --- what is looked at --------------------------------------------------------------------------------


def of_capture(capture: leaps.Drawn, events: Iterable[Event]) -> list[str]:
    """What does not hold of the events of a drawn capture."""
    seen = [one.t_ns for chunk in capture.made for one in chunk.observations]
    traffic = Traffic.of((chunk.batch for chunk in capture.made), seen)
    return of_lives(events, replace(traffic, is_sparse=True, begins_ns=BASE_NS))


def of_performance(performance: theatre.Performance) -> list[str]:
    """What does not hold of the events of a played scenario. It is played again for its packets."""
    items = list(performance.scenario.items())
    sent = [item for item in items if isinstance(item, Sent)]
    seen = [theatre.BASE_NS + item.t_ns for item in items if not isinstance(item, Sent)]
    batches = (theatre.batch_of(sent[first : first + 10_000]) for first in range(0, len(sent), 10_000))
    return of_lives(performance.events, Traffic.of(batches, seen))


def _shows(words: list[str]) -> Iterator[Scenario]:
    if words[:1] == ["shows"]:
        yield from (any_trouble(seed) for seed in range(int(words[1]), int(words[2]) + 1))
    elif words[:1] == ["two"]:
        yield from (any_two(seed).scenario for seed in range(int(words[1]), int(words[2]) + 1))
    else:
        yield from (one for one in SCENARIOS.values() if not words[1:] or one.name in words[1:])


def _found(words: list[str], *, is_restarted: bool) -> Iterator[tuple[str, list[str]]]:
    if words[:1] == ["drawn"]:
        for seed in range(int(words[1]), int(words[2]) + 1):
            for draw in (leaps.drawn, leaps.drawn_rest):
                capture, house = draw(seed)
                events = leaps.replayed(capture, house, leaps=True).events
                yield f"{draw.__name__}({seed})", of_capture(capture, events)
        return
    for show in _shows(words):
        middle_s = show.seconds / 2
        away_s = (middle_s, middle_s + 1.5) if is_restarted else None
        yield f"{show.name}: {show.title}", of_performance(theatre.perform(show, resting=True, restart_s=away_s))


def main(words: list[str]) -> int:
    """Print what does not hold, and return 1 if there is any."""
    is_restarted = "--restart" in words
    words = [word for word in words if word != "--restart"] or ["scenarios"]
    count = wrong = 0
    for name, found in _found(words, is_restarted=is_restarted):
        count += 1
        wrong += bool(found)
        for place, text in enumerate([name, *found[:12]] if found else []):
            print("    " * (place > 0) + text, flush=True)
    print(f"{count} looked at, {wrong} with an incident whose life does not hold")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
