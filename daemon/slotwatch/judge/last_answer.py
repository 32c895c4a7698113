"""What the condition of a rule answered last, and until when that holds while nothing but time changes."""

from __future__ import annotations

import numpy as np

from slotwatch.judge.binding import Cases, Mask, RuleBinding
from slotwatch.judge.context import RuleContext


class LastAnswer:
    """Asks a condition, unless nothing that its last answer depends on can have changed."""

    def __init__(self, binding: RuleBinding) -> None:
        self._condition, self._remembers = binding.condition, binding.remembers
        self._knows_before = binding.knows_what_it_will_keep
        self._answer: Mask | Cases = {}
        self._answered: int | None = None
        """Revision that the answer is of."""
        self.until_ns = 0
        self.keeps_looks = False
        """Whether the condition keeps something of each look."""

    @property
    def is_known(self) -> bool:
        """Whether there is an answer of which it is known until when it holds."""
        return self._answered is not None

    def forget(self) -> None:
        """Have the condition asked when it is due next."""
        self._answered = None

    def holds(self, ctx: RuleContext) -> bool:
        """Whether the condition would give the same answer now."""
        return self._answered is not None and self._answered == ctx.revision and ctx.at_ns < self.until_ns

    def ask(self, ctx: RuleContext) -> Mask | Cases:
        """Give what the condition answers now."""
        if ctx.revision is None:
            self._answered, self.keeps_looks = None, self._remembers is not None
            return self._condition(ctx)
        if not self.keeps_looks and self.holds(ctx):
            return self._answer
        moment = ctx.moment
        ctx.now_ns = moment
        try:
            self._answer = self._condition(ctx)
        finally:
            ctx.now_ns = ctx.at_ns
        watch = moment.watch
        self._answered, self.until_ns = ctx.revision, watch.holds_until_ns
        self.keeps_looks = self._remembers is not None and self._remembers(ctx)
        return self._answer

    def finds_any(self, ctx: RuleContext) -> bool:
        """Whether the condition is true of anything now, asked before it is due; yes if it keeps what it is asked."""
        if self._remembers is not None and (not self._knows_before or self._remembers(ctx)):
            return True
        found = self.ask(ctx)
        return bool(np.count_nonzero(found)) if isinstance(found, np.ndarray) else bool(found)
