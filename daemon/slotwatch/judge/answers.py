"""How long the last answers of all rules stay valid while nothing but time changes. Times are monotonic nanoseconds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from slotwatch.durations import NEVER_NS
from slotwatch.judge import rule_ahead
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rule_state import RuleState


class Answers:
    """The conditions of all rules, and which of them need not be looked at."""

    def __init__(self, conditions: Sequence[RuleState]) -> None:
        self._conditions = conditions
        self._all_looks = tuple(dict.fromkeys(condition.looks for condition in conditions))
        self._subjects_of = {
            looks: tuple(dict.fromkeys(one.subject for one in conditions if one.subject and one.looks is looks))
            for looks in self._all_looks
        }
        self._told_of_ticks = [one.binding.pass_over for one in conditions if one.binding.pass_over is not None]
        self._asked = conditions
        """Those of which the subject is there, or that have a case, as of the last pass by other facts."""
        self._quiet_of: int | None = None
        """Facts of which it is known until when each answer holds."""
        self._quiet_until_ns = 0
        """While the facts are those, no look before this changes anything."""
        self._ticks_ns: list[int] = []
        """Ticks since then."""
        self._noted = 0
        """How many of them were noted as left out."""
        self._keepers: list[RuleState] = []
        """Conditions that keep something of each look now."""
        self._is_all_due = False
        self.is_refreshed = False
        """Whether the last pass described cases again, in the same words."""

    def look(self, ctx: RuleContext) -> bool:
        """Judge one pass. True if a case was raised, cleared, came back or was described again."""
        if ctx.revision is None or self._quiet_of != ctx.revision:
            self.catch_up()
            if self._is_all_due:
                self._is_all_due = False
                for condition in self._conditions:
                    condition.make_due()
            self._turn(ctx)
            there = {None, *self._subjects_there(ctx)}
            self._asked = [one for one in self._conditions if one.subject in there or not one.is_idle]
            return self._ask(ctx, self._asked)
        changed = self.is_refreshed = False
        if ctx.at_ns >= self._quiet_until_ns:
            self._note_ticks()
            self._turn(ctx)
            changed = self._ask(ctx, [condition for condition in self._asked if not condition.is_quiet(ctx)])
        self._ticks_ns.append(ctx.at_ns)
        return changed

    def take_explained(self) -> None:
        """Take note that incidents were put together, so that what explains a case may be another one now."""
        self._quiet_until_ns = 0

    def _subjects_there(self, ctx: RuleContext) -> Iterator[Callable[[RuleContext], bool]]:
        """Give the subjects that are there. Those of rules that are not due count as there: it is of use to
        know only before a silence."""
        for looks, subjects in self._subjects_of.items():
            if looks.is_now or ctx.revision is not None:
                yield from (subject for subject in subjects if subject(ctx))
            else:
                yield from subjects

    def _turn(self, ctx: RuleContext) -> None:
        for looks in self._all_looks:
            looks.turn(ctx.at_ns)

    def _ask(self, ctx: RuleContext, conditions: Sequence[RuleState]) -> bool:
        changed = self.is_refreshed = False
        for condition in conditions:
            if condition.looks.is_now:
                changed |= condition.look(ctx)
                self.is_refreshed |= condition.is_refreshed
        return changed

    def look_at_all(self) -> None:
        """Let the next pass look at every rule, however lately it did."""
        self._quiet_of, self._is_all_due = None, True

    def is_under_way(self, ctx: RuleContext) -> bool:
        """Whether an on-delay or an off-delay runs, or a condition is wary."""
        return any(condition.is_under_way(ctx) for condition in self._asked)

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
            for condition in self._asked
        ]
        soonest_ns = min(ends_ns, default=NEVER_NS)
        self._keepers = [condition for condition in self._asked if condition.keeps_looks]
        self._quiet_until_ns = 0 if self._keepers else soonest_ns
        return soonest_ns

    def ends_at_rest_ns(self, ctx: RuleContext) -> set[int] | None:
        """All times at which an answer may be another one if nothing comes; None where they are not known."""
        ends_ns: set[int] = set()
        for condition in self._asked:
            found = rule_ahead.ends_at_rest_ns(condition, ctx)
            if found is None:
                return None
            ends_ns |= found
        return ends_ns

    def pass_over(self, ticks_ns: Sequence[int], last: Callable[[], RuleContext]) -> None:
        """Take note of passes that were left out because they would have changed nothing. Times ascend.

        last: makes the context of the last of them.
        """
        self._ticks_ns += ticks_ns
        if self._keepers:
            ctx = last()
            before_ns = {looks: looks.last_look_ns for looks in self._all_looks}
            self._note_ticks()
            for condition in self._keepers:
                # What it remembers of each look must be taken before the model changes.
                if condition.looks.last_look_ns > before_ns[condition.looks]:
                    condition.keep_look(ctx)

    def catch_up(self) -> None:
        """Take note of all passes that were left out: what holds from now on is not known yet."""
        self._note_ticks()
        self._ticks_ns.clear()
        self._noted, self._quiet_of = 0, None

    def _note_ticks(self) -> None:
        if self._noted == len(self._ticks_ns):
            return
        for looks in self._all_looks:
            looks.pass_over(self._ticks_ns, self._noted)
        for pass_over in self._told_of_ticks:
            pass_over(self._ticks_ns[self._noted :])
        self._noted = len(self._ticks_ns)


def counts_no_looks(ctx: RuleContext) -> bool:
    """Whether no rule counts looks: those compare what several sources of one universe send, or other witnesses."""
    house, listener = ctx.house, ctx.listener
    witnesses = house.listeners or house.switches or house.receivers or house.lines or listener.usual
    return not witnesses and not np.count_nonzero(ctx.universes.live > 1)
