"""How long the last answers of all rules stay valid while nothing but time changes. Times are monotonic nanoseconds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from slotwatch.judge import rule_ahead
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rule_state import RuleState


class Answers:
    """The conditions of all rules, and which of them need not be looked at."""

    def __init__(self, conditions: Sequence[RuleState]) -> None:
        self._conditions = conditions
        self._quiet_of: int | None = None
        """Facts of which it is known until when each answer holds."""
        self._quiet_until_ns = 0
        """While the facts are those, no look before this changes anything."""
        self._ticks_ns: list[int] = []
        """Ticks that some conditions have left out."""
        self._keepers: list[RuleState] = []
        """Conditions that keep something of each look now."""
        self._is_all_due = False
        self.is_refreshed = False
        """Whether the last pass described cases again, in the same words."""

    def look(self, ctx: RuleContext) -> bool:
        """Judge one pass. True if a case was raised, cleared, came back or was described again."""
        changed = self.is_refreshed = False
        if ctx.revision is None or self._quiet_of != ctx.revision:
            self.catch_up(ctx)
            if self._is_all_due:
                self._is_all_due = False
                for condition in self._conditions:
                    condition.make_due()
            now_ns = ctx.at_ns
            for condition in self._conditions:
                if now_ns >= condition.due_ns:
                    changed |= condition.look(ctx)
                    self.is_refreshed |= condition.is_refreshed
            return changed
        for condition in self._conditions if ctx.at_ns >= self._quiet_until_ns else ():
            if not condition.is_quiet(ctx):
                condition.catch_up(ctx, self._ticks_ns)
                changed |= condition.look(ctx)
                self.is_refreshed |= condition.is_refreshed
                condition.noted += 1
        self._ticks_ns.append(ctx.at_ns)
        return changed

    def look_at_all(self) -> None:
        """Let the next pass look at every rule, however lately it did."""
        self._quiet_of, self._is_all_due = None, True

    def soonest_change_ns(self, ctx: RuleContext) -> int:
        """Until when looks change nothing if nothing comes; the pass's own time where that is not known."""
        if ctx.revision is None:
            return ctx.at_ns
        known = self._quiet_of == ctx.revision
        if known and ctx.at_ns < self._quiet_until_ns:
            return self._quiet_until_ns
        self._quiet_of = ctx.revision
        ends_ns = [
            condition.quiet_until_ns if known and condition.is_quiet(ctx) else rule_ahead.holds_until_ns(condition, ctx)
            for condition in self._conditions
        ]
        self._keepers = [condition for condition in self._conditions if condition.keeps_looks]
        self._quiet_until_ns = 0 if self._keepers else min(ends_ns)
        return min(ends_ns)

    def pass_over(self, ctx: RuleContext, ticks_ns: Sequence[int]) -> None:
        """Take note of passes that were left out because they would have changed nothing. Times ascend."""
        self._ticks_ns += ticks_ns
        for condition in self._keepers:
            # What it remembers of each look must be taken before the model changes.
            condition.catch_up(ctx, self._ticks_ns)

    def catch_up(self, ctx: RuleContext) -> None:
        """Have every condition take note of the passes that it left out."""
        if self._quiet_of is None and not self._ticks_ns:
            return
        for condition in self._conditions:
            condition.catch_up(ctx, self._ticks_ns)
            condition.noted = 0
        self._ticks_ns.clear()
        self._quiet_of = None


def ends_at_rest_ns(ctx: RuleContext, conditions: Sequence[RuleState]) -> set[int] | None:
    """All times at which an answer may be another one if nothing comes; None where they are not known."""
    ends_ns: set[int] = set()
    for condition in conditions:
        found = rule_ahead.ends_at_rest_ns(condition, ctx)
        if found is None:
            return None
        ends_ns |= found
    return ends_ns


def counts_no_looks(ctx: RuleContext) -> bool:
    """Whether no rule counts looks: those compare what several sources of one universe send, or other witnesses."""
    house, listener = ctx.house, ctx.listener
    witnesses = house.listeners or house.switches or house.receivers or house.lines or listener.usual
    return not witnesses and not np.count_nonzero(ctx.universes.live > 1)
