"""What each source sent to each universe in the minute that ends, and the last few minutes of the one in control."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import minute_intervals
from slotwatch.snapshot.minutes import StreamMinute
from slotwatch.wire.universe import source_key

if TYPE_CHECKING:
    from slotwatch.model.model import Model

MOST_SOURCES = 4
"""Sources that are kept of one universe and minute: the one in control, and the busiest others."""
FEWEST_INTERVALS = 30
"""A minute with fewer says nothing of the pace: its source rested."""


def finish(model: Model, is_unjudged: NDArray[np.bool_]) -> dict[int, tuple[StreamMinute, ...]]:
    """Give the streams of each universe row in the minute that ends, and start the next one.

    is_unjudged, (U,): rows of which a part of the minute was not judged.
    """
    table = model.streams
    rows = table.rows()
    minute_intervals.take_new(table, rows, model.intervals)
    intervals = minute_intervals.counts(table, rows)
    paced = intervals >= FEWEST_INTERVALS
    rows, intervals = rows[paced], intervals[paced]
    percentiles_ms = minute_intervals.percentiles_ms(table, rows)
    frames = (table.frames[rows] - table.minute_frames[rows]).astype(np.int64)
    lost = np.maximum(table.lost_frames[rows].astype(np.int64) - table.minute_lost[rows].astype(np.int64), 0)
    moving_hz = intervals * 1e6 / np.maximum(table.minute_moving_us[rows], 1)
    universe = table.universe[rows]
    leads = model.universes.winner[universe] == rows
    found = _ranked(model, rows, (frames, lost, intervals, moving_hz, percentiles_ms), leads)
    _keep_recent(model, universe[leads], moving_hz[leads], percentiles_ms[leads, 2], frames[leads], lost[leads])
    model.universes.recent_minutes[: len(is_unjudged)][is_unjudged] = 0
    minute_intervals.begin_minute(table)
    return found


def _ranked(
    model: Model,
    rows: NDArray[np.intp],
    figures: tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]],
    leads: NDArray[np.bool_],
) -> dict[int, tuple[StreamMinute, ...]]:
    table = model.streams
    frames, lost, intervals, moving_hz, percentiles_ms = figures
    order = np.lexsort((-frames, ~leads, table.universe[rows]))
    rows = rows[order]
    # Rounded and made Python's in one go each: a gigabit has 4,000 streams, and packets wait meanwhile.
    columns = zip(
        table.universe[rows].tolist(),
        table.source[rows].tolist(),
        leads[order].tolist(),
        frames[order].tolist(),
        lost[order].tolist(),
        intervals[order].tolist(),
        moving_hz[order].round(3).tolist(),
        percentiles_ms[order].round(1).tolist(),
        (table.minute_longest_us[rows] / 1000).round(1).tolist(),
        strict=True,
    )
    found: dict[int, tuple[StreamMinute, ...]] = {}
    keys: dict[int, str] = {}
    for universe, source, is_lead, sent, missing, count, hz, (p50_ms, p95_ms, p99_ms), longest_ms in columns:
        before = found.get(universe, ())
        if len(before) == MOST_SOURCES:
            continue
        if source not in keys:
            one = model.sources[source]
            keys[source] = source_key(one.protocol, one.source_id, one.address)
        rank = before[0].rank + len(before) if before else int(not is_lead)
        found[universe] = (
            *before,
            StreamMinute(keys[source], rank, sent, missing, count, hz, p50_ms, p95_ms, p99_ms, longest_ms),
        )
    return found


def _keep_recent(
    model: Model,
    universe: NDArray[np.int32],
    moving_hz: NDArray[np.float64],
    p99_ms: NDArray[np.float64],
    frames: NDArray[np.int64],
    lost: NDArray[np.int64],
) -> None:
    table = model.universes
    judged = np.zeros(table.capacity, np.bool_)
    judged[universe] = True
    table.recent_minutes[:] = np.where(judged, np.minimum(table.recent_minutes + 1, 1000), 0)
    missing_percent = 100 * lost / np.maximum(lost + frames, 1)
    for column, values in (
        (table.recent_hz, moving_hz),
        (table.recent_p99_ms, p99_ms),
        (table.recent_missing_percent, missing_percent),
    ):
        column[:, :-1] = column[:, 1:]
        column[universe, -1] = values
