"""When frames come: intervals and their percentiles, gaps that are not idle time, and each stream's own norm."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import interval_words
from slotwatch.model.interval_words import CompiledIntervals
from slotwatch.model.segments import Segments
from slotwatch.model.table import Table

INTERVALS = 512
"""Kept for each stream, in whole microseconds."""
MEDIAN_WINDOW_NS = 60_000_000_000
UNEVEN_FACTOR = 3
UNEVEN_FLOOR_US = 100_000
REST_EQUAL_FRAMES = 2
"""Equal frames after which a source is idle: three equal frames, which E1.31 6.6.2 sends before it
suppresses what does not change."""
MOVING_SHARE = 0.8
MOVING_WINDOW_S = 5
PERCENTILES = (0.50, 0.95, 0.99)
BIN_EDGES_MS = (5, 10, 15, 20, 22, 24, 26, 28, 30, 33, 36, 40, 50, 70, 100, 200, 500, 1000)
"""Where the bins of the distribution meet: finer where a full line (44.1 Hz, E1.11) and usual rates lie."""
REFRESH_SPREAD = 20
"""Percentiles of each live stream are brought up to date every this many buckets: 2 s."""
FEW_LIVE = 200
FEW_TOGETHER = 10

COLUMNS = (
    ("intervals_us", "<u4", (INTERVALS,)),
    ("interval_count", "<u8"),  # intervals ever kept; the ring's place is this modulo INTERVALS
    ("interval_known", "<u8"),  # interval_count when the percentiles were last worked out
    ("interval_p50_ms", "<f4"),
    ("interval_p95_ms", "<f4"),
    ("interval_p99_ms", "<f4"),
    ("interval_max_ms", "<f4"),
    ("interval_bins", "<u2", (len(BIN_EDGES_MS) + 1,)),  # of the kept intervals, with the percentiles
)

_BIN_EDGES_US = np.array(BIN_EDGES_MS, np.uint32) * np.uint32(1000)


def keep_intervals(
    table: Table, stream: NDArray[np.intp], segments: Segments, intervals_us: NDArray[np.uint32]
) -> None:
    """Write intervals into their streams' rings; `stream` is in runs as `segments` say."""
    count = table.interval_count[segments.rows]
    at = count if segments.single else np.repeat(count, segments.counts) + segments.places.astype(np.uint64)
    flat = stream * INTERVALS + (at % INTERVALS).astype(np.intp)
    table.intervals_us.reshape(-1)[flat] = intervals_us
    table.interval_count[segments.rows] = count + segments.large_counts


def work_out_percentiles(table: Table, rows: NDArray[np.intp], compiled: CompiledIntervals | None = None) -> None:
    """Bring percentiles and median interval of these rows up to date (about 4 µs a row). compiled: does so where it is
    there, with the same result."""
    known = table.interval_count[rows]
    rows = rows[(known != table.interval_known[rows]) & (known > 0)]
    if not len(rows):
        return
    if compiled is None:
        _work_out(table, rows)
        return
    long = rows[interval_words.rank(compiled, table, rows, _BIN_EDGES_US) > MEDIAN_WINDOW_NS // 1000]
    if len(long):
        _work_out(table, long)


def _work_out(table: Table, rows: NDArray[np.intp]) -> None:
    counts = np.minimum(table.interval_count[rows], INTERVALS).astype(np.int64)
    kept = table.intervals_us[rows]
    if (counts < INTERVALS).any():
        # Unwritten places sort last, past everything that is asked for.
        kept = np.where(np.arange(INTERVALS) < counts[:, None], kept, np.uint32(0xFFFFFFFF))
    ranked = np.sort(kept, axis=1)
    line = np.arange(len(rows))
    for share, column in zip(
        PERCENTILES, (table.interval_p50_ms, table.interval_p95_ms, table.interval_p99_ms), strict=True
    ):
        place = np.ceil(share * counts).astype(np.int64) - 1
        column[rows] = ranked[line, place] / np.float32(1000)
    table.interval_max_ms[rows] = ranked[line, counts - 1] / np.float32(1000)
    table.median_interval_ns[rows] = _recent_medians(table, rows, kept, ranked, counts)
    below = np.array([intervals.searchsorted(_BIN_EDGES_US) for intervals in ranked])
    table.interval_bins[rows] = np.diff(below, axis=1, prepend=0, append=counts[:, None])
    table.interval_known[rows] = table.interval_count[rows]


def _recent_medians(
    table: Table,
    rows: NDArray[np.intp],
    kept: NDArray[np.uint32],
    ranked: NDArray[np.uint32],
    counts: NDArray[np.int64],
) -> NDArray[np.int64]:
    line = np.arange(len(rows))
    medians: NDArray[np.int64] = ranked[line, (counts - 1) // 2].astype(np.int64) * 1000
    total_ns = np.where(kept == 0xFFFFFFFF, 0, kept).sum(1, dtype=np.int64) * 1000
    for i in (total_ns > MEDIAN_WINDOW_NS).nonzero()[0]:
        count = int(counts[i])
        end = int(table.interval_count[rows[i]])
        newest_first = kept[i][(end - 1 - np.arange(count)) % INTERVALS].astype(np.int64)
        inside = max(1, int((np.cumsum(newest_first) * 1000 <= MEDIAN_WINDOW_NS).sum()))
        medians[i] = int(np.sort(newest_first[:inside])[(inside - 1) // 2]) * 1000
    return medians


def due_for_percentiles(table: Table, live: NDArray[np.intp], bucket: int) -> NDArray[np.intp]:
    """Choose this bucket's share of the live rows: each is due once in REFRESH_SPREAD buckets.

    A few have their turn together, once in FEW_TOGETHER buckets: each call costs as much as 30 rows.
    """
    each = 1 if len(live) > FEW_LIVE else FEW_TOGETHER
    turn, of_turns = bucket // each, REFRESH_SPREAD // each
    if bucket % each:
        return live[:0]
    due: NDArray[np.intp] = live[live % of_turns == turn % of_turns]
    return due


def are_behind(table: Table, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """(N,) of which of these rows percentiles or histograms are still to be brought up to what came."""
    count = table.interval_count[rows]
    behind: NDArray[np.bool_] = (table.interval_known[rows] != count) | (table.interval_binned[rows] != count)
    return behind


def next_due(live: int, rows: NDArray[np.intp], bucket: int) -> int:
    """The first bucket from this one on in which any of these rows is due, among so many live ones."""
    each = 1 if live > FEW_LIVE else FEW_TOGETHER
    of_turns, turn = REFRESH_SPREAD // each, -(-bucket // each)
    return (turn + int(((rows - turn) % of_turns).min())) * each


def uneven_gaps(
    intervals_us: NDArray[np.uint32],
    medians_us: NDArray[np.int64],
    changed: NDArray[np.bool_],
    equal_before: NDArray[np.uint16],
) -> NDArray[np.bool_]:
    """Find gaps over 3 medians and 100 ms with movement right before and after: not idle, no keep-alive.

    equal_before: how many frames before the gap each equalled its predecessor.
    """
    long = (intervals_us > UNEVEN_FLOOR_US) & (intervals_us > UNEVEN_FACTOR * medians_us) & (medians_us > 0)
    uneven: NDArray[np.bool_] = long & changed & (equal_before < REST_EQUAL_FRAMES)
    return uneven


def learn_norms(table: Table, now_ns: int) -> bool:
    """Once a second: learn the best rate of streams that moved during the last 5 s. Returns whether any did."""
    top = table.top
    frames = table.frames_5s[:top]
    moving = table.live[:top] & (frames >= 2) & (table.stepped_5s[:top] >= MOVING_SHARE * frames)
    moving &= now_ns - table.since_ns[:top] >= MOVING_WINDOW_S * 1_000_000_000
    # Where more numbers are missing than arrive, they jump: the frames may be those of two senders.
    moving &= table.lost_10s[:top] <= table.frames_10s[:top]
    rows = moving.nonzero()[0]
    if len(rows):
        table.best_moving_hz[rows] = np.maximum(table.best_moving_hz[rows], frames[rows] / MOVING_WINDOW_S)
        table.moving_known_s[rows] += 1
    return len(rows) > 0
