"""The description of the windows for compiled code: where counts, sums and totals are (`struct windows` of
`continuations.c`).

The compiled functions do exactly what `fold`, `turn` and `fold_gaps` of `model/windows.py` do in numpy.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.table import Table

_TOP, _PLACE, _LEAVING = 6, 7, 8
"""Places in the words that change from call to call."""


class CompiledWindows(Protocol):
    """The functions of `continuations.c` for windows. All take the address of an array of 64-bit words."""

    def fold(self, windows: int) -> int: ...

    def turn(self, windows: int) -> int: ...

    def fold_gaps(self, windows: int) -> int: ...


class WindowWords:
    """The words for windows whose arrays stay where they are; made again when they grow."""

    def __init__(
        self,
        table: Table,
        counts: tuple[NDArray[np.int16], NDArray[np.int16], NDArray[np.int64], NDArray[np.uint32]],
        sums: Sequence[tuple[str, int, int]],
        totals: Sequence[tuple[str, int]],
        lengths: Sequence[int],
    ) -> None:
        """counts: ring, folded, unreported, gaps. sums: column, which length, and count of each pair; totals alike."""
        ring = counts[0]
        self._kept = counts
        self.ring, self._buckets, self._lengths = ring, ring.shape[1], lengths
        self._sums = np.array([[getattr(table, name).ctypes.data, *rest] for name, *rest in sums], np.int64)
        self._totals = np.array([[getattr(table, name).ctypes.data, metric] for name, metric in totals], np.int64)
        pairs = (self._sums.ctypes.data, len(self._sums), self._totals.ctypes.data, len(self._totals))
        addresses = (*(one.ctypes.data for one in counts), table.max_gap_10s_ns.ctypes.data)
        self._words = np.array([*addresses, table.capacity, 0, 0, *(0 for _ in lengths), *pairs], np.int64)
        self._view, self.address = self._words.data, self._words.ctypes.data

    def at(self, bucket: int, top: int) -> int:
        """The words for this many rows and the bucket that is being filled, and their address."""
        view, buckets = self._view, self._buckets
        view[_TOP], view[_PLACE] = top, bucket % buckets
        for each, length in enumerate(self._lengths, _LEAVING):
            view[each] = (bucket - length) % buckets
        return self.address
