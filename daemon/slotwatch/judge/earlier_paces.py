"""Rates at which streams came before they became too slow, kept over a restart."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.judge.before import NOTHING_BEFORE, RESUME_GRACE_NS
from slotwatch.judge.context import RuleContext


class EarlierPaces:
    """Gives each rate once, for a stream that is heard soon after the restart."""

    def __init__(self, rule: str) -> None:
        """rule: of the incidents that were open."""
        self._rule = rule
        self._of = NOTHING_BEFORE
        self._waiting: dict[tuple[str, str], float] = {}
        """Rate in Hz, by universe and source key."""
        self._asked_ns: NDArray[np.int64] = np.zeros(0, np.int64)
        """(S,) beginnings of the streams that were asked for."""

    def waits(self, ctx: RuleContext) -> bool:
        """Whether a rate may still be given."""
        if self._of is not ctx.before:
            self._of, self._waiting = ctx.before, dict(ctx.before.paces_hz.get(self._rule, {}))
            self._asked_ns = np.zeros(0, np.int64)
        return bool(self._waiting) and ctx.now_ns - ctx.started_ns < RESUME_GRACE_NS

    def take(self, ctx: RuleContext, ready: NDArray[np.bool_]) -> dict[int, float]:
        """Give rates in Hz by rows of the stream table. ready: (S,) streams that may have one."""
        if not self.waits(ctx):
            return {}
        count, since_ns = ctx.streams.count, ctx.streams.since_ns
        self._asked_ns = np.pad(self._asked_ns, (0, max(0, count - len(self._asked_ns))))
        new = ready & ctx.live & (self._asked_ns[:count] != since_ns)
        self._asked_ns[:count][new] = since_ns[new]
        found: dict[int, float] = {}
        for row in new.nonzero()[0].tolist():
            of = ctx.universe_name(ctx.universe_of(row)), ctx.source_key(ctx.source_of(row))
            if of in self._waiting:
                found[row] = self._waiting.pop(of)
        return found
