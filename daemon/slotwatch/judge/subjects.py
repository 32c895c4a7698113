"""What several rules are about: while there is none of it, they need not be asked (`RuleBinding.subject`)."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np

from slotwatch.judge.context import RuleContext


def is_any_live(ctx: RuleContext) -> bool:
    """Whether any stream is live."""
    return ctx.live_count > 0


def is_any_shared(ctx: RuleContext) -> bool:
    """Whether several streams are live on any universe."""
    return ctx.live_count > 1 and bool(np.count_nonzero(ctx.universes.live > 1))


def declares_universes(ctx: RuleContext) -> bool:
    """Whether the house declares any universe."""
    return bool(ctx.house.universes)


def declares_sources(ctx: RuleContext) -> bool:
    """Whether the house declares any source."""
    return bool(ctx.house.sources)


def declares_receivers(ctx: RuleContext) -> bool:
    """Whether the house declares any receiver."""
    return bool(ctx.house.receivers)


@cache
def is_any_counted(metric: int, seconds: float) -> Callable[[RuleContext], bool]:
    """Give a function that says whether any stream has some of a count (`model.windows`) of the last seconds."""

    def is_any(ctx: RuleContext) -> bool:
        return ctx.is_any_counted(metric, seconds)

    return is_any
