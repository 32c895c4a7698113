"""Coarse and fine slots of a 16-bit pair seem to be swapped."""

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

EVIDENCE = "The coarse slot jumps by an eighth of its range and more while the fine one creeps."


@dataclass(frozen=True, slots=True)
class FineSwappedParameters(RuleParameters):
    moves: int = number(10, "checks, one a second, in which the coarse slot jumped while the fine one crept")
    jump: int = number(32, "smallest move of the coarse slot, in steps of 255, that is a jump")
    creep: int = number(4, "largest move of the fine slot, in steps of 255, that is a creep")
    fine_move: int = number(16, "move of the fine slot, in steps of 255, above which the count starts again")


class SwappedPairs:
    """Counts looks in which the coarse slot jumped while the fine one crept."""

    def __init__(self, house: House, p: FineSwappedParameters) -> None:
        self._p = p
        self._pairs = PairWatch(house)

    def swapped(self, ctx: RuleContext) -> dict[Pair, None]:
        """Coarse slots that jump about while the fine one creeps: they are the wrong way round."""
        stage: Stage = ctx.model.stage
        if self._pairs.is_new(stage):
            self._count = np.zeros(len(stage.plan.coarse), np.int32)
        moves, p = self._pairs.look(stage), self._p
        if moves is not None:
            self._count += (moves.coarse >= p.jump) & (moves.fine > 0) & (moves.fine <= p.creep) & moves.known
            self._count[moves.fine > p.fine_move] = 0
        return self._pairs.named(stage, self._count >= p.moves)

    def describe(self, ctx: RuleContext, pair: Pair) -> Finding:
        return self._pairs.describe(ctx, pair, "swapped", EVIDENCE)


def bind(setup: RuleSetup, p: FineSwappedParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("fixtures"):
        return ()
    pairs = SwappedPairs(setup.house, p)
    return (RuleBinding(KEYS, pairs.swapped, pairs.describe, EVERY_SECOND_NS),)


RULE = Rule(
    name="fine-swapped",
    rule_class=RuleClass.PATCH,
    severity=Severity.NOTE,
    short=ShortWords("fine slots swapped", "{n} fine slots swapped", look="Look at the desk's library"),
    sentence="{fixtures}: coarse and fine slots of {role} seem to be swapped.",
    judged_by=judged_by(FineSwappedParameters(), bind),
    facts=PairFacts,
    faults=("F84",),
    may_exceed_note=False,
    next_checks=("Look at the byte order in the desk's fixture library.",),
)
