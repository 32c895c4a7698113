"""Rows of a table by the value of one column: built once a pass, since a wide fault asks thousands of times."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Integers = NDArray[np.int64]


class RowsBy:
    """The rows in use, sorted by a column."""

    def __init__(self, column: NDArray[np.int32], used: NDArray[np.bool_]) -> None:
        rows = used.nonzero()[0]
        self._order = rows[np.argsort(column[rows], kind="stable")]
        self._values = column[self._order].astype(np.int64)

    def of(self, value: int) -> Integers:
        """Rows with this value, ascending."""
        return self._order[self._values.searchsorted(value) : self._values.searchsorted(value, "right")]

    def of_each(self, values: Integers) -> tuple[Integers, Integers]:
        """Rows with each of these values, one value after the other, and how many rows each has."""
        first = self._values.searchsorted(values)
        counts = self._values.searchsorted(values, "right") - first
        places = np.arange(counts.sum()) + np.repeat(first - np.cumsum(counts) + counts, counts)
        return self._order[places], counts
