"""Levels of the last seconds and of the last hour: which slots move, and the last good levels of each universe."""

from __future__ import annotations

import zlib
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import MINUTE_NS, NANOSECONDS
from slotwatch.model.reference_levels import MOVING_SHARE, UniverseLevels
from slotwatch.snapshot import Snapshot
from slotwatch.wire.universe import SLOTS

MOVING_STEP = int(MOVING_SHARE * 255) + 1
AROUND_NS = 5 * NANOSECONDS // 2
"""Time before and after its moment in which a reference looks for moving slots."""
MINUTES = 60
SPANS = 4
"""Spans of a second that reach AROUND_NS back from now: the present one, and three before it."""
FEW_DIFFER = 8
"""The place and two levels of a differing slot take six bytes, where both arrays take two: kept so if at most one in
this many differs."""
SECONDS = 16
"""Longer than any loss timeout that is usual: the levels before a loss are still here when it is judged one."""

Levels = NDArray[np.uint8]


def live_rows(snapshot: Snapshot) -> dict[str, int]:
    """Row of each universe that arrives, by its name without network; of several networks the first that lives."""
    columns = snapshot.universes
    found: dict[str, int] = {}
    heard = (columns["streams"].astype(np.int64) > 0) & (columns["slots"].astype(np.int64) > 0)
    for row in np.flatnonzero(heard).tolist():
        found.setdefault(snapshot.universe_names[row].partition("@")[0], row)
    return found


@dataclass(slots=True)
class _Span:
    """Lowest and highest levels of about a second: one array while nothing changes."""

    from_ns: int
    to_ns: int
    low: Levels
    high: Levels

    def take(self, now_ns: int, levels: Levels) -> None:
        self.to_ns = now_ns
        if self.high is not self.low:
            np.minimum(self.low, levels, out=self.low)
            np.maximum(self.high, levels, out=self.high)
        elif not np.array_equal(self.low, levels):
            self.low, self.high = np.minimum(self.low, levels), np.maximum(self.high, levels)

    def past(self, base: Levels) -> _Past | None:
        """The same as differences from other levels; None where they would take as much memory."""
        at = np.flatnonzero((self.low != base) | (self.high != base)).astype(np.uint32)
        if len(at) > base.size // FEW_DIFFER:
            return None
        return _Past(self.from_ns, self.to_ns, base, at, self.low.reshape(-1)[at], self.high.reshape(-1)[at])


@dataclass(frozen=True, slots=True)
class _Past:
    """A span that is over: what differs from levels that several share."""

    from_ns: int
    to_ns: int
    base: Levels
    at: NDArray[np.uint32]
    lowest: NDArray[np.uint8]
    highest: NDArray[np.uint8]

    @property
    def low(self) -> Levels:
        return self._with(self.lowest)

    @property
    def high(self) -> Levels:
        return self._with(self.highest)

    def _with(self, values: NDArray[np.uint8]) -> Levels:
        levels = self.base.copy()
        levels.reshape(-1)[self.at] = values
        return levels


@dataclass(frozen=True, slots=True)
class _Seen:
    """Levels at one moment of the last seconds."""

    at_ns: int
    names: tuple[str, ...]
    compressed: bytes
    """(U, 512) levels. A large house has 2 MiB of them, mostly zeros, and 16 moments are kept."""
    last_frame_ns: NDArray[np.int64]
    """(U,) 0 where nothing arrived."""
    slots: NDArray[np.uint16]

    def levels(self) -> Levels:
        """(U, 512)"""
        return np.frombuffer(zlib.decompress(self.compressed), np.uint8).reshape(-1, SLOTS)


@dataclass(frozen=True, slots=True)
class _Minute:
    at_ns: int
    names: tuple[str, ...]
    compressed: bytes
    """(n, 512) levels of these universes."""
    slots: NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class LastGood:
    """The last levels of one universe that count as good."""

    at_ns: int
    levels: Levels
    slots: int
    moving: NDArray[np.bool_]
    """(512,) slots that moved in the seconds before; none where that is not known."""


class LevelWatch:
    """Follows snapshots.

    Memory: twice or three times the levels of all universes, up to eight times where most slots move; 16 seconds and an
    hour of minutes, both compressed.
    """

    def __init__(self) -> None:
        self._spans: deque[_Span | _Past] = deque(maxlen=SPANS)
        """The present one, and those that are over."""
        self._base: Levels = np.zeros((0, SLOTS), np.uint8)
        """What spans that are over differ little from."""
        self._names: tuple[str, ...] = ()
        self._seen: deque[_Seen] = deque(maxlen=SECONDS)
        self._minutes: deque[_Minute] = deque(maxlen=MINUTES)

    def note(self, snapshot: Snapshot) -> None:
        """Take a snapshot's levels in."""
        now_ns, levels = snapshot.now_ns, snapshot.levels
        if snapshot.universe_names != self._names or (self._spans and now_ns < self._spans[-1].to_ns):
            self._names = snapshot.universe_names
            self._spans.clear()
        span = self._spans[-1] if self._spans else None
        if not isinstance(span, _Span) or now_ns - span.from_ns >= NANOSECONDS:
            self._pack()
            kept = levels.copy()
            self._spans.append(_Span(now_ns, now_ns, kept, kept))
        else:
            span.take(now_ns, levels)
        if not self._seen or abs(now_ns - self._seen[-1].at_ns) >= NANOSECONDS:
            columns = snapshot.universes
            last_ns = columns["last_frame_ns"].astype(np.int64)
            arrived = np.where(columns["streams"].astype(np.int64) > 0, last_ns, 0)
            slots = columns["slots"].astype(np.uint16)
            packed = zlib.compress(levels.tobytes(), 1)
            self._seen.append(_Seen(now_ns, snapshot.universe_names, packed, arrived, slots))
            self._note_minute(snapshot)

    def _pack(self) -> None:
        """Keep the span that ends now in less memory."""
        span = self._spans[-1] if self._spans else None
        if isinstance(span, _Span):
            past = span.past(self._base) if self._base.shape == span.low.shape else None
            if past is None:
                self._base = span.low
                past = span.past(self._base)
            if past is not None:
                self._spans[-1] = past

    def _note_minute(self, snapshot: Snapshot) -> None:
        newest_ns = self._minutes[-1].at_ns if self._minutes else -MINUTE_NS
        rows = live_rows(snapshot)
        if rows and abs(snapshot.now_ns - newest_ns) >= MINUTE_NS:
            which = list(rows.values())
            packed = zlib.compress(snapshot.levels[which].tobytes(), 1)
            names = tuple(snapshot.universe_names[row] for row in which)
            slots = snapshot.universes["slots"][which].astype(np.uint16)
            self._minutes.append(_Minute(snapshot.now_ns, names, packed, slots))

    def moving(self, at_ns: int) -> NDArray[np.bool_] | None:
        """(U, 512) slots that changed by more than MOVING_SHARE around a moment of now; None while nothing was seen."""
        spans = [one for one in self._spans if one.to_ns >= at_ns - AROUND_NS and one.from_ns <= at_ns + AROUND_NS]
        if not spans:
            return None
        low, high = np.array(spans[0].low), np.array(spans[0].high)
        for one in spans[1:]:
            np.minimum(low, one.low, out=low)
            np.maximum(high, one.high, out=high)
        moves: NDArray[np.bool_] = high - low >= MOVING_STEP
        return moves

    def live(self, snapshot: Snapshot) -> dict[str, UniverseLevels]:
        """What arrived at a snapshot's moment, by universe."""
        moving = self.moving(snapshot.now_ns) if snapshot.universe_names == self._names else None
        if moving is None:
            moving = np.zeros(snapshot.levels.shape, np.bool_)
        slots = snapshot.universes["slots"]
        return {
            name: UniverseLevels(snapshot.levels[row], int(slots[row]), moving[row])
            for name, row in live_rows(snapshot).items()
        }

    def last_good(self, universes: tuple[str, ...], before_ns: int) -> dict[str, LastGood]:
        """The last good levels of these universes up to a moment, by the names given.

        Those of the last seconds, if any is over zero; else of the newest minute where one is: a source may send
        zeros before it stops.
        """
        found: dict[str, LastGood] = {}
        around: dict[int, Levels] = {}
        for one in reversed(self._seen):
            places = _places(one.names, tuple(name for name in universes if name not in found))
            heard = {name: row for name, row in places.items() if 0 < int(one.last_frame_ns[row]) <= before_ns}
            if not heard:
                continue
            levels = self._unpacked(one, around)
            for name, row in heard.items():
                if levels[row].any():
                    moving = self._moved_before(one, row, around)
                    found[name] = LastGood(int(one.last_frame_ns[row]), levels[row], int(one.slots[row]), moving)
        for minute in reversed(self._minutes):
            places = _places(minute.names, tuple(name for name in universes if name not in found))
            if minute.at_ns > before_ns or not places:
                continue
            levels = np.frombuffer(zlib.decompress(minute.compressed), np.uint8).reshape(-1, SLOTS)
            for name, row in places.items():
                if levels[row].any():
                    still = np.zeros(SLOTS, np.bool_)
                    found[name] = LastGood(minute.at_ns, levels[row], int(minute.slots[row]), still)
        return found

    def _unpacked(self, one: _Seen, around: dict[int, Levels]) -> Levels:
        """(U, 512) levels of a moment, unpacked once; `around` keeps them by the id of the moment."""
        levels = around.get(id(one))
        if levels is None:
            levels = around[id(one)] = one.levels()
        return levels

    def _moved_before(self, last: _Seen, row: int, around: dict[int, Levels]) -> NDArray[np.bool_]:
        """(512,) what moved on one universe in the five seconds that end there."""
        rows = [
            self._unpacked(one, around)[row]
            for one in self._seen
            if last.at_ns - 2 * AROUND_NS <= one.at_ns <= last.at_ns and one.names[row : row + 1] == (last.names[row],)
        ]
        stacked = np.stack(rows)
        moves: NDArray[np.bool_] = stacked.max(0) - stacked.min(0) >= MOVING_STEP
        return moves


def _places(names: tuple[str, ...], wanted: tuple[str, ...]) -> dict[str, int]:
    """Rows of the wanted universes; a name without a network is the first of that name."""
    if not wanted:
        return {}
    rows: dict[str, int] = {}
    for row, name in enumerate(names):
        rows[name] = row
        rows.setdefault(name.partition("@")[0], row)
    return {name: rows[name] for name in wanted if name in rows}
