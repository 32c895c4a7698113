"""The fine slot of a 16-bit pair never moves while the coarse one does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.pairs import Pair, PairFacts, PairWatch
from slotwatch.judge.parameters import RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.stage import Stage
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class FineStuckParameters(RuleParameters):
    moves: int = number(20, "checks, one a second, in which the coarse slot moved a little and the fine one did not")
    small_move: int = number(16, "largest move of the coarse slot, in steps of 255, that is a little")


class StuckPairs:
    """Counts looks in which only the coarse slot moved."""

    def __init__(self, house: House, p: FineStuckParameters) -> None:
        self._p = p
        self._pairs = PairWatch(house)

    def stuck(self, ctx: RuleContext) -> dict[Pair, None]:
        """Fine slots of pan and tilt that never move while the coarse slot moves in small steps."""
        stage: Stage = ctx.model.stage
        if self._pairs.is_new(stage):
            self._count = np.zeros(len(stage.plan.coarse), np.int32)
        moves = self._pairs.look(stage)
        if moves is not None:
            self._count += (moves.coarse > 0) & (moves.coarse <= self._p.small_move) & moves.known
            self._count[moves.fine > 0] = 0
        return self._pairs.named(stage, self._count >= self._p.moves)

    def describe(self, ctx: RuleContext, pair: Pair) -> Finding:
        evidence = f"In {self._p.moves} seconds with small moves of the coarse slot the fine one kept its level."
        return self._pairs.describe(ctx, pair, "stuck", evidence)


def bind(setup: RuleSetup, p: FineStuckParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("fixtures"):
        return ()
    pairs = StuckPairs(setup.house, p)
    return (RuleBinding(KEYS, pairs.stuck, pairs.describe, EVERY_SECOND_NS),)


RULE = Rule(
    name="fine-stuck",
    rule_class=RuleClass.PATCH,
    severity=Severity.NOTE,
    short=ShortWords("fine slot stuck", "{n} fine slots stuck", look="Look at the desk's library"),
    sentence="{fixtures}: the fine slot of {role} never moves while the coarse one does.",
    judged_by=judged_by(FineStuckParameters(), bind),
    facts=PairFacts,
    faults=("F83",),
    may_exceed_note=False,
    next_checks=("Look at the fixture's mode and at the profile in the desk.",),
)
