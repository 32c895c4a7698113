"""Winning levels without their owners: a look-up where one stream wins, the full merge only where several do."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.control import decided_by_slot
from slotwatch.wire.universe import SLOTS

Integers = NDArray[np.int64]
ROWS_AT_ONCE = 512
"""Universes looked at together: their levels, 0.25 MiB, stay in a processor's cache."""


class CompiledLevels(Protocol):
    """The function of `levels.c`. It takes the address of an array of 64-bit words."""

    def any_above(self, words: int) -> int: ...


def merged_universes(model: Any, rows: NDArray[np.intp] | slice) -> NDArray[np.bool_]:
    """(n,) which of these universe rows have levels of several streams: equal priorities, or priorities by slot."""
    merged: NDArray[np.bool_] = model.universes.contenders[rows] > 1
    return merged | decided_by_slot(model.streams)[rows]


def winning_levels(model: Any, rows: NDArray[np.intp]) -> NDArray[np.uint8]:
    """(n, 512) levels of these universe rows; zeros where no stream wins."""
    winner = model.universes.winner[rows]
    levels: NDArray[np.uint8] = model.streams.levels[np.maximum(winner, 0)]
    levels[winner < 0] = 0
    which = np.flatnonzero(merged_universes(model, rows))
    if len(which):
        levels[which] = model.winner_levels(rows[which])[0]
    return levels


def any_above(model: Any, rows: NDArray[np.intp], masks: NDArray[np.uint64], mask_of: Integers) -> NDArray[np.bool_]:
    """(n,) which of these universe rows have a winning level above zero in any slot of their mask.

    masks: (M, 64) words of eight slots, all bits in those that are looked for.   mask_of: (n,) which one each row has.
    """
    found = np.zeros(len(rows), np.bool_)
    compiled = model.compiled_levels
    if compiled is not None and len(rows):
        merged = merged_universes(model, rows)
        stream = np.where(merged, -1, model.universes.winner[rows]).astype(np.int64)
        arrays = model.streams.levels, masks, stream, np.ascontiguousarray(mask_of, np.int64)
        words = np.array([*(one.ctypes.data for one in arrays), len(rows), found.ctypes.data], np.int64)
        compiled.any_above(words.ctypes.data)
        left = np.flatnonzero(merged)
    else:
        left = np.arange(len(rows))
    for first in range(0, len(left), ROWS_AT_ONCE):
        some = left[first : first + ROWS_AT_ONCE]
        levels: NDArray[np.uint64] = winning_levels(model, rows[some]).view(np.uint64)
        levels &= masks[mask_of[some]]
        found[some] = np.bitwise_or.reduce(levels, axis=1) > 0
    return found


class Levels:
    """Winning levels of one moment, read slot by slot by declared universe."""

    def __init__(self, model: Any, universes: int) -> None:
        table = model.universes
        rows = np.flatnonzero(table.used[: table.top] & (table.declared[: table.top] >= 0))
        self.row = np.full(universes + 1, -1, np.intp)
        # A universe that is expected on several networks is taken from the first one that is alive.
        for some in (rows[table.live[rows] == 0][::-1], rows[table.live[rows] > 0][::-1]):
            self.row[table.declared[some]] = some
        self.row[universes] = -1
        self.live: NDArray[np.bool_] = (self.row >= 0) & (table.live[np.maximum(self.row, 0)] > 0)
        self._winner = np.where(self.live, table.winner[np.maximum(self.row, 0)], -1).astype(np.int64)
        self._flat: NDArray[np.uint8] = model.streams.levels.reshape(-1)
        merged = merged_universes(model, slice(0, table.top))
        merged = merged[np.maximum(self.row, 0)] & self.live if len(merged) else np.zeros(universes + 1, np.bool_)
        self._merged: NDArray[np.uint8] | None = None
        if merged.any():
            self._merged_at = np.full(universes + 1, -1, np.int64)
            which = np.flatnonzero(merged)
            self._merged_at[which] = np.arange(len(which))
            self._merged = model.winner_levels(self.row[which])[0]

    def of(self, slots: Any) -> NDArray[np.uint8]:
        """Level of each slot of a `lightplan.SlotList`; 0 where its universe is not live."""
        return self.at(slots.declared, slots.slot)

    def at(self, declared: Integers, slot: Integers) -> NDArray[np.uint8]:
        """Level of each (declared universe, slot index)."""
        winner = self._winner[declared]
        found: NDArray[np.uint8] = self._flat[np.maximum(winner, 0) * SLOTS + slot]
        found *= winner >= 0
        if self._merged is not None:
            at = self._merged_at[declared]
            which = np.flatnonzero(at >= 0)
            found[which] = self._merged[at[which], slot[which]]
        return found

    def known(self, slots: Any) -> NDArray[np.bool_]:
        """Which slots' universes are live."""
        found: NDArray[np.bool_] = self.live[slots.declared]
        return found

    def universe(self, declared: int | None) -> NDArray[np.uint8] | None:
        """All 512 levels of a universe; None where it is not live."""
        if declared is None or not self.live[declared]:
            return None
        return self.at(np.full(SLOTS, declared), np.arange(SLOTS))
