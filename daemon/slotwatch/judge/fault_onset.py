"""When a fault began and ended on the network, for rules that count over a window and hold until it is empty."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.context import RuleContext
from slotwatch.model.windows import BUCKET_NS


def window_of(seconds: float) -> Callable[[RuleContext, int], int]:
    """Give a function that says when the window judged now began (ns): not before the stream did."""

    def begin_ns(ctx: RuleContext, row: int) -> int:
        end_ns = ctx.now_ns - ctx.now_ns % BUCKET_NS
        return max(end_ns - int(seconds * NANOSECONDS), int(ctx.streams.since_ns[row]))

    return begin_ns


def counted_in(metric: int, seconds: float) -> Callable[[RuleContext, int], int]:
    """Give a function that says when the first count of a kind in the window came (ns); 0 if there is none.

    metric: of `model.windows`. seconds: length of the window.
    """

    def begin_ns(ctx: RuleContext, row: int) -> int:
        first_ns = int(ctx.model.streams.windows.first_ns(metric, row, round(seconds * NANOSECONDS / BUCKET_NS)))
        if not first_ns:
            return 0
        # What is missing is only noticed with the next frame: it began with the one before.
        frames_ns = arrivals_ns(ctx, row)
        before = int(frames_ns.searchsorted(first_ns)) - 1
        last_good_ns = int(frames_ns[before]) if before >= 0 else first_ns
        return max(last_good_ns, int(ctx.streams.since_ns[row]))

    return begin_ns


def last_counted_in(metric: int, seconds: float) -> Callable[[RuleContext, int], int]:
    """Give a function that says when the last count of a kind in the window came (ns, to 100 ms); 0: there is none."""

    def end_ns(ctx: RuleContext, row: int) -> int:
        last_ns: int = ctx.model.streams.windows.last_ns(metric, row, round(seconds * NANOSECONDS / BUCKET_NS))
        return last_ns

    return end_ns


def changed_pace(ctx: RuleContext, row: int, limit_hz: float, seconds: float, *, slower: bool) -> int:
    """Give the time (ns) of the frame since which a stream has been slower (or faster) than a rate.

    It is the frame from which the sum of the intervals differs most from that of the rate (Page's cumulative sum,
    1954). The window's mean is of no use here: it falls below the limit long before the window is full of slow frames.
    """
    begin_ns = window_of(seconds)(ctx, row)
    frames_ns = arrivals_ns(ctx, row)
    kept_all = int(frames_ns[0]) <= begin_ns + BUCKET_NS
    # The frame right before the window is where its first interval began.
    frames_ns = frames_ns[frames_ns > begin_ns - BUCKET_NS]
    excess_ns = np.diff(frames_ns) - NANOSECONDS / limit_hz
    since = np.cumsum((excess_ns if slower else -excess_ns)[::-1])[::-1]
    if not len(since):
        return begin_ns
    first = int(since.argmax())
    # More frames than are remembered: it may have begun before them.
    return int(frames_ns[first]) if first or kept_all else begin_ns


def pace_until(ctx: RuleContext, row: int, limit_hz: float, seconds: float, *, slower: bool) -> int:
    """Give the time (ns) of the frame up to which a stream was slower (or faster) than a rate.

    It is the counterpart of `changed_pace`: the frame up to which the sum of the intervals differs most from that of
    the rate. The window's mean stays beyond the limit for a while after it.
    """
    frames_ns = arrivals_ns(ctx, row)
    frames_ns = frames_ns[frames_ns > window_of(seconds)(ctx, row) - BUCKET_NS]
    excess_ns = np.diff(frames_ns) - NANOSECONDS / limit_hz
    until = np.cumsum(excess_ns if slower else -excess_ns)
    return int(frames_ns[int(until.argmax()) + 1]) if len(until) else ctx.now_ns


def arrivals_ns(ctx: RuleContext, row: int) -> NDArray[np.int64]:
    """When a stream's newest frames came, oldest first: as far back as its intervals are kept."""
    kept_us = ctx.streams.intervals_us[row]
    count = int(ctx.streams.interval_count[row])
    in_order = kept_us[:count] if count < len(kept_us) else np.roll(kept_us, -(count % len(kept_us)))
    ago_ns = np.concatenate((np.cumsum(in_order[::-1].astype(np.int64))[::-1], np.zeros(1, np.int64))) * 1000
    return np.asarray(int(ctx.streams.last_frame_ns[row]) - ago_ns, np.int64)
