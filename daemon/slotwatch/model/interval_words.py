"""The description of kept intervals for compiled code (`struct ranks` and `struct minute` of
`edge/shared/intervals.c`).

The compiled functions do exactly what `model/cadence.py` and `model/minute_intervals.py` do in numpy. Ranking itself is
numpy's, which sorts by the widest instructions that a processor has.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

_RANKED = (
    *("intervals_us", "interval_count", "interval_p50_ms", "interval_p95_ms", "interval_p99_ms", "interval_max_ms"),
    *("median_interval_ns", "interval_bins", "interval_known"),
)
_MINUTE = (
    *("intervals_us", "interval_count", "interval_binned", "minute_bins", "minute_moving_us", "minute_longest_us"),
)
"""Columns of the stream table in the order of the structs."""


class CompiledIntervals(Protocol):
    """The functions of `intervals.c`. All take the address of an array of 64-bit words."""

    def collect(self, ranks: int) -> int: ...

    def sum_up(self, ranks: int) -> int: ...

    def take_new(self, minute: int) -> int: ...


def rank(
    compiled: CompiledIntervals, table: Any, rows: NDArray[np.intp], edges_us: NDArray[np.uint32]
) -> NDArray[np.int64]:
    """Bring percentiles, bins and the median of these rows up to date; returns what their intervals add up to, in us.

    Each of the rows must have kept an interval.
    """
    ranked = np.empty((len(rows), table.intervals_us.shape[1]), np.uint32)
    rows, total_us = np.ascontiguousarray(rows), np.empty(len(rows), np.int64)
    words = [getattr(table, name).ctypes.data for name in _RANKED]
    words += [edges_us.ctypes.data, rows.ctypes.data, len(rows), ranked.ctypes.data, total_us.ctypes.data]
    told = np.array(words, np.int64)
    compiled.collect(told.ctypes.data)
    ranked.sort(axis=1)
    compiled.sum_up(told.ctypes.data)
    return total_us


def take_new(compiled: CompiledIntervals, table: Any, rows: NDArray[np.intp]) -> None:
    """Put new intervals of these rows into the histograms of the minute."""
    rows = np.ascontiguousarray(rows)
    words = [getattr(table, name).ctypes.data for name in _MINUTE]
    told = np.array([*words, rows.ctypes.data, len(rows)], np.int64)
    compiled.take_new(told.ctypes.data)
