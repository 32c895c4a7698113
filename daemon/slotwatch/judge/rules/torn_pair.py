"""Coarse and fine slots of a 16-bit pair were updated apart."""

from __future__ import annotations

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import House
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.pairs import Pair, PairFacts, PairWatch
from slotwatch.judge.parameters import RuleParameters, Threshold
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.flashes import TORN_SLACK, TORN_STEP, TORN_WANTED, TORN_WITHIN_NS
from slotwatch.model.stage import Stage
from slotwatch.snapshot import Severity

EVIDENCE = "For single frames the 16-bit value was one coarse step off and then right again."


class TornPairs:
    """The watched pairs that the model saw torn."""

    def __init__(self, house: House) -> None:
        self._pairs = PairWatch(house)

    def torn(self, ctx: RuleContext) -> dict[Pair, None]:
        """Watched pairs that jumped by one coarse step for a single frame, three times in a minute."""
        stage: Stage = ctx.model.stage
        torn = np.argwhere(stage.pairs.torn(ctx.now_ns)).tolist()
        named = [stage.pair_fixtures[row][column] for row, column in torn if column < len(stage.pair_fixtures[row])]
        return {(stage.plan.fixtures[number].name, "a 16-bit pair"): None for number in named}

    def describe(self, ctx: RuleContext, pair: Pair) -> Finding:
        return self._pairs.describe(ctx, pair, "torn", EVIDENCE)


def bind(setup: RuleSetup, p: RuleParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("fixtures"):
        return ()
    pairs = TornPairs(setup.house)
    return (RuleBinding(KEYS, pairs.torn, pairs.describe, EVERY_SECOND_NS),)


RULE = Rule(
    name="torn-pair",
    rule_class=RuleClass.PATCH,
    severity=Severity.NOTE,
    short=ShortWords("slot pair torn", "{n} slot pairs torn", look="Find out who sends the pair"),
    sentence="{fixtures}: coarse and fine slots of {role} were not updated together.",
    judged_by=judged_by(RuleParameters(), bind),
    facts=PairFacts,
    measured=(
        Threshold("times", TORN_WANTED, "single frames that were one coarse step off"),
        Threshold("window_s", TORN_WITHIN_NS / NANOSECONDS, "time in which they are counted"),
        Threshold("step", TORN_STEP, "size of such a step, of 65535"),
        Threshold("slack", TORN_SLACK, "how far such a step may be off, of 65535"),
    ),
    faults=("F85",),
    may_exceed_note=False,
    next_checks=("Check whether the pair lies in one universe, and whether several programs send it.",),
)
