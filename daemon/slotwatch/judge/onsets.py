"""When it began on the wire, of rules that look back over a window: the last good frame before what they count."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from slotwatch.judge.sight import Sight
from slotwatch.model.windows import BUCKET_NS

NANOSECONDS = 1_000_000_000


def window_of(seconds: float) -> Callable[[Sight, int], int]:
    """Say when the window of a stream that is judged now began: not before the stream did."""

    def begin_ns(sight: Sight, row: int) -> int:
        end_ns = sight.now_ns - sight.now_ns % BUCKET_NS
        return max(end_ns - int(seconds * NANOSECONDS), int(sight.streams.since_ns[row]))

    return begin_ns


def counted_in(metric: int, seconds: float) -> Callable[[Sight, int], int]:
    """Say when the window's first count of a kind came: the end of the last 100 ms without any."""

    def begin_ns(sight: Sight, row: int) -> int:
        first_ns = int(sight.model.streams.windows.first_ns(metric, row, round(seconds * NANOSECONDS / BUCKET_NS)))
        return max(first_ns, int(sight.streams.since_ns[row])) if first_ns else 0

    return begin_ns


def before_gaps(sight: Sight, row: int, gaps: int, shortest_ns: int, median_ratio: float) -> int:
    """Give the frame before the first of a stream's newest so many gaps; 0 if they are not among its intervals."""
    kept_us = sight.streams.intervals_us[row]
    count = int(sight.streams.interval_count[row])
    in_order = kept_us[:count] if count < len(kept_us) else np.roll(kept_us, -(count % len(kept_us)))
    ago_ns = np.cumsum(in_order[::-1].astype(np.int64)) * 1000
    least_ns = max(shortest_ns, int(median_ratio * int(sight.streams.median_interval_ns[row])))
    wide = np.flatnonzero(in_order[::-1].astype(np.int64) * 1000 > least_ns)
    if not 0 < gaps <= len(wide):
        return 0
    return int(sight.streams.last_frame_ns[row] - ago_ns[wide[gaps - 1]])
