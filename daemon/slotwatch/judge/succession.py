"""Streams that took over from others."""

from __future__ import annotations

from slotwatch.durations import ns_from_s
from slotwatch.judge.context import RuleContext

MOST_LOOKED_AT = 64
"""Streams that are compared separately in a pass: forged ones must not cost more."""


def predecessor(ctx: RuleContext, row: int, overlap_s: float) -> int:
    """Find the stream that this one took over from: same name, other identity, silent since; -1 if none.

    overlap_s: longest time that both may have sent.
    """
    streams = ctx.streams
    own = ctx.sources[ctx.source_of(row)]
    if not own.source_name:
        return -1
    for other in map(int, ctx.streams_of(ctx.universe_of(row))):
        earlier = ctx.sources[ctx.source_of(other)]
        # A stream that sent only preview data had no levels that another could continue.
        gone = 0 < streams.last_arrival_ns[other] < streams.since_ns[row] + ns_from_s(overlap_s)
        if other != row and not streams.live[other] and gone and earlier.source_name == own.source_name:
            return other
    return -1
