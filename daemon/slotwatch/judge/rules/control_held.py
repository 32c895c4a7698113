"""A fixture's control slot is held at a command value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lights import MOST_CASES, NOT_SEEN, FixtureNames, fixture_rows, fixture_text, gone, slot_level
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.stage import Stage
from slotwatch.snapshot import Severity

FixtureSlot = tuple[str, int]


@dataclass(frozen=True, slots=True)
class ControlHeldParameters(RuleParameters):
    on_delay_s: float = number(10.0, "time above zero before the incident opens")


@dataclass(frozen=True, slots=True)
class ControlHeldFacts(Facts):
    fixtures: str


class HeldControls:
    """The control slots that are not at zero."""

    def __init__(self) -> None:
        self._names = FixtureNames()

    def _stage(self, ctx: RuleContext) -> Stage:
        stage: Stage = ctx.model.stage
        self._names.follow(stage)
        return stage

    def held(self, ctx: RuleContext) -> dict[FixtureSlot, None]:
        """Control slots that are not at zero."""
        stage = self._stage(ctx)
        slots = stage.plan.control
        if stage.levels is None or not len(slots):
            return {}
        found = np.flatnonzero(stage.levels.of(slots))[:MOST_CASES].tolist()
        return {(stage.plan.fixtures[slots.fixture[i]].name, int(slots.slot[i]) + 1): None for i in found}

    def describe(self, ctx: RuleContext, key: FixtureSlot) -> Finding:
        name, slot = key
        stage = self._stage(ctx)
        fixture = self._names.find(name)
        if fixture is None:
            return gone(name, ControlHeldFacts(name))
        return Finding(
            group=f"control:{fixture.universe}",
            since_ns=0,
            universes=fixture_rows(stage, fixture),
            fixtures=(name,),
            facts=ControlHeldFacts(fixture_text(fixture)),
            evidence=(f"{fixture.universe} slot {slot} is at {slot_level(stage, fixture, slot)}. {NOT_SEEN}",),
            also_possible=("a mode with another order of slots than the patch has",),
        )


def bind(setup: RuleSetup, p: ControlHeldParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("fixtures"):
        return ()
    controls = HeldControls()
    return (RuleBinding(KEYS, controls.held, controls.describe, EVERY_SECOND_NS),)


RULE = Rule(
    name="control-held",
    rule_class=RuleClass.PATCH,
    severity=Severity.NOTE,
    short=ShortWords("control slot held", "{n} control slots held", look="Look at the last cue"),
    sentence="{fixtures}: a control slot is held at a command value.",
    judged_by=judged_by(ControlHeldParameters(), bind),
    facts=ControlHeldFacts,
    faults=("F90",),
    may_exceed_note=False,
    next_checks=("Look at the cue that last touched the fixture's control slot.",),
)
