"""Strangers that sent a universe for a short while only, before any of its declared sources was ever heard there.

When they stop, nobody's desk stopped: the universe is as missing as it was before they came.
"""

from __future__ import annotations

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import Mask
from slotwatch.judge.context import RuleContext

CARRIED_S = 60.0
"""Who sent a universe for this long carries it: a desk whose identity is not the one that the house file declares."""


def only_passed_by(ctx: RuleContext, among: Mask) -> Mask:
    """Which of these universes only strangers sent, each for less than CARRIED_S, though the house declares sources."""
    found: Mask = among & (ctx.universes.declared >= 0)
    if not np.count_nonzero(found):
        return found
    streams, top = ctx.model.streams, ctx.model.streams.top
    carries = ctx.model.sources.declared[streams.source[:top]] >= 0
    carries |= streams.last_arrival_ns[:top] - streams.first_frame_ns[:top] >= ns_from_s(CARRIED_S)
    found[streams.universe[:top][streams.used[:top] & carries]] = False
    for row in np.flatnonzero(found).tolist():
        declared = ctx.declared_universe(row)
        found[row] = declared is not None and bool(declared.sources)
    return found


def is_only_passed_by(ctx: RuleContext, row: int) -> bool:
    """Whether that is so of this one."""
    among = np.zeros(len(ctx.universes.used), np.bool_)
    among[row] = True
    return bool(only_passed_by(ctx, among)[row])
