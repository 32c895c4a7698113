"""Until when what all rules found holds, if only time passes. Times are monotonic nanoseconds."""

from __future__ import annotations

from collections.abc import Sequence

from slotwatch.judge.context import RuleContext
from slotwatch.judge.rule_state import RuleState


def soonest_change_ns(ctx: RuleContext, conditions: Sequence[RuleState]) -> int:
    """Until when looks change nothing if nothing comes; the pass's own time where that is not known."""
    return min(condition.holds_until_ns(ctx) for condition in conditions)


def ends_at_rest_ns(ctx: RuleContext, conditions: Sequence[RuleState]) -> set[int] | None:
    """All times at which an answer may be another one if nothing comes; None where they are not known."""
    ends_ns: set[int] = set()
    for condition in conditions:
        found = condition.ends_at_rest_ns(ctx)
        if found is None:
            return None
        ends_ns |= found
    return ends_ns


def counts_no_looks(ctx: RuleContext) -> bool:
    """Whether no rule counts looks: those compare what several sources of one universe send, or other witnesses."""
    house, listener = ctx.house, ctx.listener
    witnesses = house.listeners or house.switches or house.receivers or house.lines or listener.usual
    return not witnesses and not (ctx.universes.live > 1).any()
