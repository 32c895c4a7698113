"""Flashes of watched slots, and 16-bit pairs that were torn for one frame.

A flash is a pair of opposing changes of 10 % of full or more whose darker state is under 80 % (WCAG 2.3.1:
general flash, with the level for the relative luminance; what is really seen is not known here).
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.model.lighttap import Integers, rounds

CHANGE = 26
"""10 % of 255, rounded up."""
DARK_BELOW = 204
"""80 % of 255."""
TOO_MANY = 8
"""Opposing changes: four flashes, so more than three, if they are in one window of a second."""
WINDOW_NS = NANOSECONDS
FRESH_NS = 600_000_000
"""The newest change is this young while flashing lasts: below 2 changes a second it is not flashing."""


class CompiledFlashes(Protocol):
    """The same in C (`continuations.c`). Both take the address of an array of 64-bit words, `struct frames`."""

    def flashes(self, frames: int) -> int: ...

    def pairs(self, frames: int) -> int: ...


def lay_out(
    row: Integers, t_ns: Integers, level: NDArray[np.uint8], width: int, kept: tuple[NDArray[Any], ...], before: int
) -> NDArray[np.int64]:
    """Lay out frames for the compiled pass. level: (n, …), of which slots lie side by side. before: unused words."""
    addresses = (row.ctypes.data, t_ns.ctypes.data, level.ctypes.data)
    words = [*addresses, len(row), level.strides[0], width, *(0,) * before, *(one.ctypes.data for one in kept)]
    return np.array(words, np.int64)


class Flashes:
    """Opposing changes of watched slots: (count, width) of them."""

    def __init__(self, count: int, width: int, compiled: CompiledFlashes | None = None) -> None:
        """compiled: follows them where it is there; without it numpy does, with the same result."""
        self._compiled = compiled
        self.extreme = np.zeros((count, width), np.int16)
        """Highest level since it began to rise, or lowest since it began to fall."""
        self.rising = np.zeros((count, width), np.bool_)
        self.seen = np.zeros(count, np.bool_)
        self.times_ns = np.zeros((count, width, TOO_MANY), np.int64)
        """When the last changes were, newest last."""
        self._fast_ns = 0
        """When the last of those came that made too many within the window; 0: never."""

    def take(self, row: Integers, t_ns: Integers, level: NDArray[np.uint8]) -> None:
        """Take frames sorted by row and time; compiled, by time alone. level: (n, width)."""
        if self._compiled is not None:
            kept = (self.extreme, self.rising, self.seen, self.times_ns)
            fast_ns = self._compiled.flashes(lay_out(row, t_ns, level, level.shape[1], kept, 0).ctypes.data)
            self._fast_ns = max(self._fast_ns, fast_ns)
            return
        for places in rounds(row):
            at = whole(row[places], len(self.seen))
            self._step(at, t_ns[places], level[places].astype(np.int16))

    def _step(self, at: Integers | slice, t_ns: Integers, level: NDArray[np.int16]) -> None:
        extreme, rising = self.extreme[at], self.rising[at]
        seen = self.seen[at]
        if not seen.all():
            extreme = np.where(seen[:, None], extreme, level)
            self.seen[at] = True
        moved = level - extreme
        turned = np.where(rising, moved <= -CHANGE, moved >= CHANGE) & (np.minimum(extreme, level) < DARK_BELOW)
        further = (moved > 0) == rising
        self.extreme[at] = np.where(turned | further, level, extreme)
        if not turned.any():
            return
        self.rising[at] = rising ^ turned
        frame, column = np.nonzero(turned)
        rows = frame if isinstance(at, slice) else at[frame]
        times = self.times_ns[rows, column]
        times[:, :-1] = times[:, 1:].copy()
        times[:, -1] = t_ns[frame]
        self.times_ns[rows, column] = times
        fast = (times[:, 0] > 0) & (times[:, -1] - times[:, 0] < WINDOW_NS)
        self._fast_ns = max(self._fast_ns, int(times[fast, -1].max(initial=0)))

    def too_fast(self, now_ns: int) -> NDArray[np.bool_]:
        """(count, width) slots that made more than three flashes within one second, and still do."""
        if now_ns - self._fast_ns >= FRESH_NS:
            return np.zeros(self.rising.shape, np.bool_)  # 4,034 groups take 0.1 ms to look at
        first, last = self.times_ns[..., 0], self.times_ns[..., -1]
        fast: NDArray[np.bool_] = (first > 0) & (last - first < WINDOW_NS) & (now_ns - last < FRESH_NS)
        return fast

    def rates_hz(self) -> NDArray[np.float64]:
        """(count, width) flashes in a second over the last eight changes."""
        span_s = (self.times_ns[..., -1] - self.times_ns[..., 0]) / NANOSECONDS
        return np.where(span_s > 0, (TOO_MANY - 1) / 2 / np.maximum(span_s, 1e-3), 0.0)


def whole(at: Integers, count: int) -> Integers | slice:
    """A slice where every row has its turn, as in a steady show: it saves copying the rows out and in."""
    return slice(None) if len(at) == count else at


TORN_STEP = 256
TORN_SLACK = 24
"""A torn pair is off by one coarse step and what the move itself makes of it."""
TORN_WANTED = 3
TORN_WITHIN_NS = 60 * NANOSECONDS


class PairLevels:
    """16-bit values of watched pairs over three frames: rows hold all coarse slots, then all fine ones."""

    def __init__(self, count: int, width: int, compiled: CompiledFlashes | None = None) -> None:
        """compiled: follows them where it is there; without it numpy does, with the same result."""
        self._compiled = compiled
        self._before = np.full((count, width), -1, np.int32)
        self._last = np.full((count, width), -1, np.int32)
        self.torn_ns = np.zeros((count, width, TORN_WANTED), np.int64)

    def take(self, row: Integers, t_ns: Integers, level: NDArray[np.uint8]) -> None:
        """Take frames sorted by row and time; compiled, by time alone. level: (n, 2 * width)."""
        half = level.shape[1] // 2
        if self._compiled is not None:
            kept = (self._before, self._last, self.torn_ns)
            self._compiled.pairs(lay_out(row, t_ns, level, half, kept, 4).ctypes.data)
            return
        value = (level[:, :half].astype(np.int32) << 8) | level[:, half:]
        for places in rounds(row):
            self._step(whole(row[places], len(self._last)), t_ns[places], value[places])

    def _step(self, at: Integers | slice, t_ns: Integers, value: NDArray[np.int32]) -> None:
        before, last = self._before[at].copy(), self._last[at].copy()
        self._before[at], self._last[at] = last, value
        net = value - before
        # A true move crosses a coarse step here; an 8-bit wave's crest comes back to the same one.
        crossed = (np.abs(net) <= 2 * TORN_SLACK) & (value >> 8 != before >> 8) & (before >= 0)
        if not crossed.any():
            return
        out, back = last - before, value - last
        torn = crossed & (np.abs(np.abs(out) - TORN_STEP) <= TORN_SLACK)
        torn &= (np.abs(np.abs(back) - TORN_STEP) <= TORN_SLACK) & (np.sign(out) == -np.sign(back))
        frame, column = np.nonzero(torn)
        if len(frame):
            rows = frame if isinstance(at, slice) else at[frame]
            self.torn_ns[rows, column] = np.roll(self.torn_ns[rows, column], -1, axis=1)
            self.torn_ns[rows, column, -1] = t_ns[frame]

    def torn(self, now_ns: int) -> NDArray[np.bool_]:
        """(count, width) pairs that were torn three times in the last minute."""
        found: NDArray[np.bool_] = (self.torn_ns[..., 0] > 0) & (now_ns - self.torn_ns[..., 0] <= TORN_WITHIN_NS)
        return found
