"""Runs of rows of one stream in a batch that is sorted by stream."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.intp]


class Segments:
    """Runs of equal stream rows in a sorted column."""

    def __init__(self, stream: Rows) -> None:
        edges = (stream[1:] != stream[:-1]).nonzero()[0]
        self.single = len(edges) + 1 == len(stream)
        """Every run is one row long: nothing has to be summed."""
        self.starts: Rows
        self.lasts: Rows
        if self.single:
            self.starts = self.lasts = np.arange(len(stream))
            self.rows: Rows = stream
        else:
            self.starts = np.empty(len(edges) + 1, np.intp)
            self.starts[0] = 0
            np.add(edges, 1, out=self.starts[1:])
            self.lasts = np.empty_like(self.starts)
            self.lasts[:-1] = edges
            self.lasts[-1] = len(stream) - 1
            self.rows = stream[self.starts]

    @cached_property
    def counts(self) -> Rows:
        """Length of each run."""
        return self.lasts - self.starts + 1

    @cached_property
    def small_counts(self) -> Any:
        """Length of each run as int16, or just 1."""
        return np.int16(1) if self.single else self.counts.astype(np.int16)

    @cached_property
    def large_counts(self) -> Any:
        """Length of each run as uint64, or just 1."""
        return np.uint64(1) if self.single else self.counts.astype(np.uint64)

    @cached_property
    def places(self) -> Any:
        """How many rows of the same run come before each, or just 0."""
        if self.single:
            return np.int64(0)
        return np.arange(int(self.lasts[-1]) + 1) - np.repeat(self.starts, self.counts)

    def first(self, values: NDArray[Any]) -> NDArray[Any]:
        """Value of each run's first row."""
        return values if self.single else values[self.starts]

    def last(self, values: NDArray[Any]) -> NDArray[Any]:
        """Value of each run's last row."""
        return values if self.single else values[self.lasts]

    def sums(self, values: NDArray[Any]) -> NDArray[np.int16]:
        """Sum of each run."""
        if self.single:
            return values.astype(np.int16)
        return np.add.reduceat(values, self.starts, dtype=np.int16)

    def all_of(self, flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Whether it is true of each row of each run."""
        if self.single:
            return flags
        whole: NDArray[np.bool_] = np.logical_and.reduceat(flags, self.starts)
        return whole

    def spread(self, values: NDArray[Any]) -> NDArray[Any]:
        """Each run's value for each of its rows."""
        return values if self.single else np.repeat(values, self.counts)

    def before(self, values: NDArray[Any], kept: NDArray[Any]) -> NDArray[Any]:
        """Value of the row before each; `kept` holds that of each run's first row."""
        if self.single:
            return kept
        earlier = np.empty_like(values)
        earlier[1:] = values[:-1]
        earlier[self.starts] = kept
        return earlier
