"""Flashes of watched slots, and 16-bit pairs that were torn for one frame.

A flash is a pair of opposing changes of 10 % of full or more whose darker state is under 80 % (WCAG 2.3.1:
general flash, with the level for the relative luminance; what is really seen is not known here).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.lighttap import Integers, rounds

SECOND_NS = 1_000_000_000
CHANGE = 26
"""10 % of 255, rounded up."""
DARK_BELOW = 204
"""80 % of 255."""
TOO_MANY = 8
"""Opposing changes: four flashes, so more than three, if they lie in one second."""
FRESH_NS = 600_000_000
"""The newest change is this young while flashing goes on: under 2 changes a second there is no rate to speak of."""


class Flashes:
    """Opposing changes of each watched slot."""

    def __init__(self, count: int) -> None:
        self.extreme = np.zeros(count, np.int16)
        """Highest level since it began to rise, or lowest since it began to fall."""
        self.rising = np.zeros(count, np.bool_)
        self.seen = np.zeros(count, np.bool_)
        self.times_ns = np.zeros((count, TOO_MANY), np.int64)
        """When the last changes were, newest last."""

    def take(self, number: Integers, t_ns: Integers, level: NDArray[np.uint8]) -> None:
        """Take levels sorted by watched slot and time."""
        for places in rounds(number):
            self._step(number[places], t_ns[places], level[places].astype(np.int16))

    def _step(self, at: Integers, t_ns: Integers, level: NDArray[np.int16]) -> None:
        extreme, rising = self.extreme[at], self.rising[at]
        new = ~self.seen[at]
        extreme = np.where(new, level, extreme)
        self.seen[at] = True
        away = np.where(rising, extreme - level, level - extreme)
        darker = np.minimum(extreme, level)
        turned = (away >= CHANGE) & (darker < DARK_BELOW)
        further = np.where(rising, np.maximum(extreme, level), np.minimum(extreme, level))
        self.extreme[at] = np.where(turned, level, further)
        self.rising[at] = rising ^ turned
        which = np.flatnonzero(turned)
        if len(which):
            rows = at[which]
            self.times_ns[rows] = np.roll(self.times_ns[rows], -1, axis=1)
            self.times_ns[rows, -1] = t_ns[which]

    def too_fast(self, now_ns: int) -> NDArray[np.bool_]:
        """Which slots made more than three flashes within one second, and still do."""
        first, last = self.times_ns[:, 0], self.times_ns[:, -1]
        fast: NDArray[np.bool_] = (first > 0) & (last - first < SECOND_NS) & (now_ns - last < FRESH_NS)
        return fast

    def rates_hz(self) -> NDArray[np.float64]:
        """Flashes in a second over the last eight changes."""
        span_s = (self.times_ns[:, -1] - self.times_ns[:, 0]) / SECOND_NS
        return np.where(span_s > 0, (TOO_MANY - 1) / 2 / np.maximum(span_s, 1e-3), 0.0)


TORN_STEP = 256
TORN_SLACK = 24
"""A torn pair is off by one coarse step and what the move itself makes of it."""
TORN_WANTED = 3
TORN_WITHIN_NS = 60 * SECOND_NS


class Pairs:
    """16-bit values of watched pairs over three frames."""

    def __init__(self, coarse: Integers, fine: Integers) -> None:
        self.coarse, self.fine = coarse, fine
        """Numbers of the watched slots of each pair."""
        self.values = np.full((len(coarse), 2), -1, np.int64)
        self.torn_ns = np.zeros((len(coarse), TORN_WANTED), np.int64)
        self._of_coarse = {int(number): index for index, number in enumerate(coarse)}
        self._last = np.zeros(0, np.uint8)

    def take(self, number: Integers, t_ns: Integers, level: NDArray[np.uint8]) -> None:
        """Take levels sorted by watched slot and time: both slots of a pair come in every frame of theirs."""
        starts = np.searchsorted(number, self.coarse)
        counts = np.searchsorted(number, self.coarse, "right") - starts
        fines = np.searchsorted(number, self.fine)
        for turn in range(int(counts.max()) if len(counts) else 0):
            has = np.flatnonzero(counts > turn)
            at = starts[has] + turn
            value = level[at].astype(np.int64) * 256 + level[fines[has] + turn]
            self._step(has, t_ns[at], value)

    def _step(self, pair: NDArray[np.intp], t_ns: Integers, value: Integers) -> None:
        before, last = self.values[pair, 0], self.values[pair, 1]
        out, back = last - before, value - last
        jumped = (np.abs(np.abs(out) - TORN_STEP) <= TORN_SLACK) & (np.abs(np.abs(back) - TORN_STEP) <= TORN_SLACK)
        back_again = (np.sign(out) == -np.sign(back)) & (np.abs(value - before) <= 2 * TORN_SLACK) & (before >= 0)
        # A true move crosses a coarse step here; an 8-bit wave's crest comes back to the same one.
        torn = jumped & back_again & (value >> 8 != before >> 8)
        self.values[pair, 0], self.values[pair, 1] = last, value
        which = np.flatnonzero(torn)
        if len(which):
            rows = pair[which]
            self.torn_ns[rows] = np.roll(self.torn_ns[rows], -1, axis=1)
            self.torn_ns[rows, -1] = t_ns[which]

    def torn(self, now_ns: int) -> NDArray[np.bool_]:
        """Which pairs were torn three times in the last minute."""
        found: NDArray[np.bool_] = (self.torn_ns[:, 0] > 0) & (now_ns - self.torn_ns[:, 0] <= TORN_WITHIN_NS)
        return found
