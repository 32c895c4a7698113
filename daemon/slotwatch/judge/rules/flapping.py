"""What several short incidents of one rule become. It has no condition: the incidents' own lives make it."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.judge.binding import RuleBinding, RuleSetup
from slotwatch.judge.flapping import FlappingParameters
from slotwatch.judge.parameters import Facts
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class FlappingFacts(Facts):
    summary: str
    flaps: int


def bind(setup: RuleSetup, p: FlappingParameters) -> tuple[RuleBinding, ...]:
    return ()


RULE = Rule(
    name="flapping",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("it comes and goes", "{n} come and go", look="Look for a lead that moves"),
    sentence="{summary} It comes and goes: {flaps} times since it began.",
    judged_by=judged_by(FlappingParameters(), bind),
    facts=FlappingFacts,
    faults=("F30",),
    next_checks=("Look for a lead or connector that is being moved, and for a device that restarts by itself.",),
)
