"""A fixture that faces the audience stays bright."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lights import (
    FULL,
    MOST_CASES,
    NOT_SEEN,
    FixtureNames,
    carry_over,
    fixture_rows,
    fixture_text,
    gone,
    level_of,
    levels_changed_ns,
)
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.stage import Stage
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import UniverseId


@dataclass(frozen=True, slots=True)
class GlareHeldParameters(RuleParameters):
    bright_percent: float = number(80.0, "level above which it counts")
    held_s: float = number(60.0, "time above that level")


@dataclass(frozen=True, slots=True)
class GlareHeldFacts(Facts):
    fixtures: str


class Glare:
    """The fixtures that face the audience, and since when each is bright."""

    def __init__(self, p: GlareHeldParameters) -> None:
        self._bright = level_of(p.bright_percent)
        self._held_ns = ns_from_s(p.held_s)
        self._names = FixtureNames()
        self._keys: list[tuple[UniverseId, str, int]] = []
        self._since_ns: NDArray[np.int64] = np.zeros(0, np.int64)
        self._looked_ns = 0

    def _stage(self, ctx: RuleContext) -> Stage:
        """Give the model's stage; what is known of a fixture stays when it has another patch."""
        stage: Stage = ctx.model.stage
        if self._names.follow(stage):
            plan = stage.plan
            self._looked_ns = self._looked_ns or ctx.at_ns
            fixtures = [plan.fixtures[n] for n in plan.bright_fixture.tolist()]
            former, self._keys = self._keys, [(one.universe, one.name, one.address) for one in fixtures]
            self._since_ns = carry_over(self._since_ns, self._keys, former, others=0)
            self._declared = np.array([plan.declared.get(one.universe, 0) for one in fixtures], np.intp)
            self._faces = np.array([one.faces_audience for one in fixtures], np.bool_)
        return stage

    def held(self, ctx: RuleContext) -> dict[str, int]:
        """Names of fixtures that face the audience and have been bright for the rule's time."""
        stage = self._stage(ctx)
        if stage.levels is None or not self._faces.any() or len(stage.brightness) != len(self._since_ns):
            return {}
        up = self._faces & (stage.brightness > self._bright) & stage.known
        changed_ns = levels_changed_ns(ctx, stage, self._declared, self._looked_ns)
        self._looked_ns = ctx.now_ns
        self._since_ns = np.where(up, np.where(self._since_ns == 0, changed_ns, self._since_ns), 0)
        held = np.flatnonzero((self._since_ns > 0) & (ctx.now_ns - self._since_ns >= self._held_ns))[:MOST_CASES]
        return {stage.plan.fixtures[stage.plan.bright_fixture[i]].name: int(i) for i in held.tolist()}

    def describe(self, ctx: RuleContext, name: str) -> Finding:
        stage = self._stage(ctx)
        fixture = self._names.find(name)
        if fixture is None:
            return gone(name, GlareHeldFacts(name))
        place = int(np.searchsorted(stage.plan.bright_fixture, self._names.number(name)))
        since_ns = int(self._since_ns[place]) or ctx.now_ns
        return Finding(
            group=f"glare:{fixture.universe}",
            since_ns=since_ns,
            universes=fixture_rows(stage, fixture),
            fixtures=(name,),
            facts=GlareHeldFacts(fixture_text(fixture)),
            evidence=(f"Its brightest slot is at {int(stage.brightness[place])} of {FULL}. {NOT_SEEN}",),
        )


def bind(setup: RuleSetup, p: GlareHeldParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("fixtures"):
        return ()
    glare = Glare(p)
    return (RuleBinding(KEYS, glare.held, glare.describe, EVERY_SECOND_NS),)


RULE = Rule(
    name="glare-held",
    rule_class=RuleClass.PATCH,
    severity=Severity.NOTE,
    short=ShortWords("bright at the audience", "{n} bright at the audience", look="Look at the cue"),
    sentence="{fixtures} faces the audience and has been above {bright_percent:g} % since {since}.",
    found_after=("held_s",),
    judged_by=judged_by(GlareHeldParameters(), bind),
    facts=GlareHeldFacts,
    faults=("F88",),
    may_exceed_note=False,
    next_checks=("Check whether the cue is meant to hold.",),
)
