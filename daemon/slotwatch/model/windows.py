"""Sums over the last 1, 5 and 10 seconds, kept as a ring of 100 ms buckets for every stream.

A window ends with the bucket that is being filled, so it is up to 100 ms shorter than its name says and
never longer. Sums are brought forward by addition and subtraction, never counted anew.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.table import Table

BUCKET_NS = 100_000_000
BUCKETS = 100
SECOND = 10
"""Buckets in a second."""

# Metric, then the windows (in buckets) that have a column, with that column's name.
METRICS: tuple[tuple[str, tuple[tuple[int, str], ...]], ...] = (
    ("frames", ((10, "frames_1s"), (50, "frames_5s"), (100, "frames_10s"))),
    ("changed", ((50, "changed_5s"),)),
    ("stepped", ((50, "stepped_5s"),)),
    ("copies", ((50, "copies_5s"),)),
    ("packets", ((50, "packets_5s"),)),
    ("lost", ((100, "lost_10s"),)),
    ("discarded", ((100, "discarded_10s"),)),
    ("uneven", ((100, "uneven_10s"),)),
)
FRAMES, CHANGED, STEPPED, COPIES, PACKETS, LOST, DISCARDED, UNEVEN = range(len(METRICS))


class Windows:
    """The rings behind the stream table's window columns."""

    def __init__(self, table: Table) -> None:
        self._table = table
        self._ring: NDArray[np.int16] = np.zeros((len(METRICS), BUCKETS, table.capacity), np.int16)
        self._gaps_us: NDArray[np.uint32] = np.zeros((BUCKETS // SECOND, table.capacity), np.uint32)
        self._at = 0

    def fit(self) -> None:
        """Grow with the table."""
        more = self._table.capacity - self._ring.shape[2]
        if more > 0:
            self._ring = np.pad(self._ring, ((0, 0), (0, 0), (0, more)))
            self._gaps_us = np.pad(self._gaps_us, ((0, 0), (0, more)))

    def add(self, metric: int, rows: NDArray[np.intp], counts: NDArray[Any]) -> None:
        """Add counts to the bucket that is being filled. Rows must differ from each other."""
        self._ring[metric, self._at][rows] += counts.astype(np.int16)
        for _, column in METRICS[metric][1]:
            getattr(self._table, column)[rows] += counts.astype(np.uint32)

    def add_gap(self, rows: NDArray[np.intp], gaps_ns: NDArray[np.int64]) -> None:
        """Remember the longest gap of the second that is being filled. Rows must differ."""
        gaps_us = np.minimum(gaps_ns // 1000, 0xFFFFFFFF).astype(np.uint32)
        second = self._gaps_us[self._at // SECOND]
        second[rows] = np.maximum(second[rows], gaps_us)
        longest = self._table.max_gap_10s_ns
        longest[rows] = np.maximum(longest[rows], gaps_us.astype(np.int64) * 1000)

    def turn(self, buckets: int) -> None:
        """Move on by so many buckets."""
        top = self._table.top
        for _ in range(min(buckets, BUCKETS)):
            self._at = (self._at + 1) % BUCKETS
            for metric, (_, windows) in enumerate(METRICS):
                ring = self._ring[metric]
                for length, column in windows:
                    leaving = ring[(self._at - length) % BUCKETS, :top]
                    if leaving.any():
                        # What a bucket holds was added to the sum, so a sum never goes below zero.
                        getattr(self._table, column)[:top] -= leaving.astype(np.uint32)
                ring[self._at] = 0
            if self._at % SECOND == 0:
                self._gaps_us[self._at // SECOND] = 0
                self._table.max_gap_10s_ns[:top] = self._gaps_us[:, :top].max(0, initial=0) * np.int64(1000)

    def forget(self, row: int) -> None:
        """Clear a row that is used anew."""
        self._ring[:, :, row] = 0
        self._gaps_us[:, row] = 0

    def take_back(self, metric: int, row: int, count: int) -> None:
        """Take so many of one row back out of its newest buckets, as far as they hold any."""
        for back in range(BUCKETS):
            if count <= 0:
                return
            bucket = self._ring[metric, (self._at - back) % BUCKETS]
            taken = min(count, int(bucket[row]))
            if taken > 0:
                bucket[row] -= taken
                count -= taken
                for length, column in METRICS[metric][1]:
                    if back < length:
                        getattr(self._table, column)[row] -= taken

    def withdraw(self, metric: int, row: int) -> int:
        """Take back everything of one metric of one row; returns how much the longest window held."""
        held = int(self._ring[metric, :, row].sum())
        self._ring[metric, :, row] = 0
        for _, column in METRICS[metric][1]:
            getattr(self._table, column)[row] = 0
        return held
