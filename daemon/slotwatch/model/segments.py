"""Runs of rows of one stream in a batch that is sorted by stream."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.intp]


class Segments:
    """Runs of equal stream rows in a sorted column."""

    __slots__ = ("counts", "lasts", "rows", "single", "starts")

    def __init__(self, stream: Rows) -> None:
        edges = np.flatnonzero(stream[1:] != stream[:-1])
        self.starts: Rows = np.empty(len(edges) + 1, np.intp)
        self.starts[0] = 0
        np.add(edges, 1, out=self.starts[1:])
        self.lasts: Rows = np.empty_like(self.starts)
        self.lasts[:-1] = edges
        self.lasts[-1] = len(stream) - 1
        self.counts: Rows = self.lasts - self.starts + 1
        self.rows: Rows = stream[self.starts]
        self.single = len(self.starts) == len(stream)

    def sums(self, values: NDArray[np.generic]) -> NDArray[np.int64]:
        """Sum of each run."""
        if self.single:
            return values.astype(np.int64)
        return np.add.reduceat(values, self.starts, dtype=np.int64)

    def places(self) -> NDArray[np.int64]:
        """How many rows of the same run stand before each."""
        if self.single:
            return np.zeros(len(self.starts), np.int64)
        return np.arange(int(self.lasts[-1]) + 1) - np.repeat(self.starts, self.counts)
