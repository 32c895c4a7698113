"""How far apart the frames of each stream lie within one minute: a histogram each, so that no rate is too fast.

Pauses of a static look are left out: a gap over 100 ms after frames that were all equal shows nothing of the network
(E1.31 6.6.2 lets a sender slow down to one frame a second then).

Bins are 1/32 of an octave wide, so percentiles are exact to 3.2 %.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import interval_words
from slotwatch.model.cadence import INTERVALS, REST_EQUAL_FRAMES, UNEVEN_FLOOR_US
from slotwatch.model.interval_words import CompiledIntervals
from slotwatch.model.table import Column, Table

FINE_BITS = 5
FIRST_OCTAVE = 9
"""Intervals under 0.5 ms share the first bin, and over 33 s the last."""
OCTAVES = 16
BINS = OCTAVES << FINE_BITS
SHARES = (0.50, 0.95, 0.99)
ROWS_AT_ONCE = 512
_MANTISSA_BITS = 23
_EXPONENT_BIAS = 127
_FIRST = (FIRST_OCTAVE + _EXPONENT_BIAS) << FINE_BITS

COLUMNS: tuple[Column, ...] = (
    ("interval_binned", "<u8"),  # interval_count up to which intervals are in the histogram
    ("minute_bins", "<i2", (BINS,)),
    ("minute_moving_us", "<i8"),  # all intervals in it together
    ("minute_longest_us", "<u4"),
    ("minute_frames", "<u8"),  # frames and lost_frames when the minute began
    ("minute_lost", "<u8"),
)
_EDGES_US = np.array(
    [(1 << FIRST_OCTAVE + octave) * (1 + fine / (1 << FINE_BITS)) for octave in range(OCTAVES) for fine in range(32)]
    + [float(1 << FIRST_OCTAVE + OCTAVES)]
)


def bins_of(intervals_us: NDArray[np.uint32]) -> NDArray[np.intp]:
    """Give the bin of each interval: the exponent and the first bits of its floating-point form are its logarithm."""
    bits = intervals_us.astype(np.float32).view(np.uint32) >> (_MANTISSA_BITS - FINE_BITS)
    bins = bits.astype(np.intp) - _FIRST
    # A third of the time of clip, where a packet at rest is one of few.
    np.maximum(bins, 0, out=bins)
    np.minimum(bins, BINS - 1, out=bins)
    return bins


def take_new(table: Table, rows: NDArray[np.intp], compiled: CompiledIntervals | None = None) -> None:
    """Put the intervals that these rows kept since the last time into their histograms (about 25 ns each).

    Of more than 512 the newest count: at 44 Hz they fill in 11 s. compiled: does so where it is there, with the same
    result.
    """
    if compiled is not None:
        interval_words.take_new(compiled, table, rows)
        return
    count = table.interval_count[rows]
    new = np.minimum(count - table.interval_binned[rows], INTERVALS).astype(np.intp)
    some = np.flatnonzero(new)
    if not len(some):
        return
    rows, count, new = rows[some], count[some].astype(np.intp), new[some]
    starts = np.cumsum(new) - new
    place = np.arange(starts[-1] + new[-1]) - np.repeat(starts + new - count, new)
    row = np.repeat(rows, new)
    intervals_us = table.intervals_us[row, place % INTERVALS]
    np.add.at(table.minute_bins.reshape(-1), row * BINS + bins_of(intervals_us), np.int16(1))
    table.minute_moving_us[rows] += np.add.reduceat(intervals_us, starts, dtype=np.int64)
    short_us = np.where(intervals_us <= UNEVEN_FLOOR_US, intervals_us, 0)
    table.minute_longest_us[rows] = np.maximum(table.minute_longest_us[rows], np.maximum.reduceat(short_us, starts))
    table.interval_binned[rows] = count


def note_long(
    table: Table,
    stream: NDArray[np.intp],
    intervals_us: NDArray[np.uint32],
    equal_before: NDArray[np.uint16],
) -> None:
    """Take pauses out before `take_new` puts them in, and keep the longest gap that is none."""
    long = intervals_us > UNEVEN_FLOOR_US
    rest = long & (equal_before >= REST_EQUAL_FRAMES)
    gap = long & ~rest
    if np.count_nonzero(gap):
        np.maximum.at(table.minute_longest_us, stream[gap], intervals_us[gap])
    if np.count_nonzero(rest):
        row, rest_us = stream[rest], intervals_us[rest]
        np.subtract.at(table.minute_bins.reshape(-1), row * BINS + bins_of(rest_us), np.int16(1))
        np.subtract.at(table.minute_moving_us, row, rest_us.astype(np.int64))


def percentiles_ms(table: Table, rows: NDArray[np.intp]) -> NDArray[np.float64]:
    """Give the 50th, 95th and 99th percentile of the minute's intervals, (rows, 3); NaN where there are none."""
    parts = [rows[first : first + ROWS_AT_ONCE] for first in range(0, len(rows), ROWS_AT_ONCE)]
    return (
        np.concatenate([np.zeros((0, len(SHARES))), *(_percentiles_us(table.minute_bins[part]) for part in parts)])
        / 1000
    )


def _percentiles_us(bins: NDArray[np.int16]) -> NDArray[np.float64]:
    """Rank within its bin, taken as evenly filled."""
    filled = np.flatnonzero(bins.any(axis=0))
    low, high = (int(filled[0]), int(filled[-1]) + 1) if len(filled) else (0, 1)
    counts = np.maximum(bins[:, low:high], 0)  # of 512 bins a house fills a few dozen
    reached = np.cumsum(counts, axis=1, dtype=np.int32)
    total = reached[:, -1]
    line = np.arange(len(bins))
    found = np.full((len(bins), len(SHARES)), np.nan)
    for column, share in enumerate(SHARES):
        rank = np.maximum(share * total, 1.0)
        at = np.minimum((reached < rank[:, None]).sum(axis=1), high - low - 1)
        inside = np.maximum(counts[line, at], 1)
        part = np.clip((rank - (reached[line, at] - counts[line, at])) / inside, 0.0, 1.0)
        value = _EDGES_US[low + at] + part * (_EDGES_US[low + at + 1] - _EDGES_US[low + at])
        found[:, column] = np.where(total > 0, value, np.nan)
    return found


def counts(table: Table, rows: NDArray[np.intp]) -> NDArray[np.int64]:
    """How many intervals the minute has, (rows,)."""
    found: NDArray[np.int64] = np.maximum(table.minute_bins[rows], 0).sum(axis=1, dtype=np.int64)
    return found


def begin_minute(table: Table) -> None:
    """Start all histograms from nothing."""
    top = table.top
    table.minute_bins[:top], table.minute_moving_us[:top], table.minute_longest_us[:top] = 0, 0, 0
    table.minute_frames[:top] = table.frames[:top]
    table.minute_lost[:top] = table.lost_frames[:top]
