"""A capture's own clock, turned into a time that never falls and that does not jump when the clock was set."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slotwatch.edge.tools.continuity import SUSPECT_NS
from slotwatch.judge.binding import TICK_NS
from slotwatch.wire.observation import ClockStepSeen, Observation

BASE_NS = 3600 * 1_000_000_000
"""Monotonic time of the capture's first packet: an hour, so that nothing happened "never" or before zero."""
BACKWARD_NS = 1_000_000_000
"""Stamps that fall back by less are packets out of order (two interfaces, two queues); by more, a set clock."""
FORWARD_NS = 30 * 86_400 * 1_000_000_000
"""A leap of more than this is a set clock too: small computers begin in 1970 until their clock is set."""
FAR_NS = 86_400 * 1_000_000_000
MOST_FAR_JUMPS = 100
"""Silences of a day and more that are believed; a capture with more of them has no time worth keeping."""
MOST_SUSPECTS = 16
"""Silences of one piece that are held against the sequence numbers."""
MOST_STEPS = 16
"""Clock changes that are listed; all are counted. After as many in one piece, those that fall between two ticks are
observed as one, so that a capture whose clock is set again and again costs little."""


@dataclass(slots=True)
class CaptureClock:
    """Times are nanoseconds; wall times since 1970 UTC."""

    first_ns: int | None = None
    """Wall time of the first stamped packet."""
    last_ns: int | None = None
    steps: list[tuple[int, int]] = field(default_factory=list)
    """(wall time before, by how much) of the first set clocks."""
    step_count: int = 0
    out_of_order: int = 0
    has_unstamped: bool = False
    newest_ns: int = BASE_NS
    """Monotonic time of the newest packet."""
    shift_ns: int = 0
    """Monotonic minus wall time, moved when the capture's clock was set."""
    _raw_ns: int = BASE_NS
    """Monotonic time of the last packet, which may lie a little before the newest."""
    _wall_ns: int | None = None
    _far_jumps: int = 0

    def begin(self, first_ns: int) -> None:
        """Take the first packet's stamp."""
        self.first_ns = max(0, first_ns)
        self.shift_ns = BASE_NS - self.first_ns

    def fill(self, stamps: NDArray[np.int64]) -> NDArray[np.int64]:
        """Give packets without a stamp (-1) that of the one before them."""
        unknown = stamps < 0
        if not unknown.any():
            return stamps
        self.has_unstamped = True
        known = np.where(unknown, 0, np.arange(len(stamps)))
        source = np.maximum.accumulate(known)
        first = (self.first_ns or 0) if self.last_ns is None else self.last_ns
        return np.where(unknown[source], first, stamps[source])

    def times(
        self, wall: NDArray[np.int64], is_set: Callable[[int], bool]
    ) -> tuple[NDArray[np.int64], list[Observation]]:
        """Turn filled stamps into monotonic times that never fall.

        is_set: asked for a packet after a silence whether the clock was set in it.
        """
        assert self.first_ns is not None  # begin comes first
        before = np.concatenate(([wall[0] if self._wall_ns is None else self._wall_ns], wall[:-1]))
        passed = wall - before
        set_clock = (passed < -BACKWARD_NS) | (passed > FORWARD_NS)
        far = passed > FAR_NS
        self._far_jumps += int(np.count_nonzero(far))
        if self._far_jumps > MOST_FAR_JUMPS:
            set_clock |= far
        for row in np.flatnonzero((passed > SUSPECT_NS) & ~set_clock)[:MOST_SUSPECTS].tolist():
            set_clock[row] = is_set(row)
        passed[set_clock] = 0
        times = self._raw_ns + np.cumsum(passed)
        rows = np.flatnonzero(set_clock)
        self.step_count += len(rows)
        by_ns = wall[rows] - before[rows]
        self.steps += zip(before[rows].tolist(), by_ns.tolist(), strict=True)
        del self.steps[MOST_STEPS:]
        at_ns = np.maximum(times[rows], self.newest_ns)
        steps: list[Observation] = [ClockStepSeen(*seen) for seen in _between_ticks(at_ns, by_ns)]
        self._raw_ns, self._wall_ns = int(times[-1]), int(wall[-1])
        self.shift_ns = self._raw_ns - self._wall_ns
        newest = np.maximum.accumulate(np.concatenate(([self.newest_ns], times)))
        self.out_of_order += int(np.count_nonzero(times < newest[:-1]))
        times = newest[1:]
        self.last_ns = max(self.last_ns or 0, int(wall.max()))
        self.first_ns = min(self.first_ns, int(wall.min()))
        self.newest_ns = int(times[-1])
        return times, steps


def _between_ticks(at_ns: NDArray[np.int64], by_ns: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """Give when the clock was set and by how much; after MOST_STEPS once for all between two ticks."""
    ticks = -(-at_ns // TICK_NS)
    ticks[:MOST_STEPS] = np.arange(-len(ticks[:MOST_STEPS]), 0)
    firsts = np.flatnonzero(np.diff(ticks, prepend=ticks[:1] - 1))
    sums = np.add.reduceat(by_ns, firsts) if len(firsts) else by_ns
    yield from zip(at_ns[firsts].tolist(), sums.tolist(), strict=True)
