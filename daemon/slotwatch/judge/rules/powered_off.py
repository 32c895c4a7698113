"""Fixtures with intensity up whose switched circuit is off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lights import NOT_SEEN, FixtureNames, fixture_rows, fixture_text
from slotwatch.judge.loads import load_rows
from slotwatch.judge.rule import Facts, Rule, RuleClass, RuleParameters, ShortWords, Threshold, judged_by, number
from slotwatch.model.hours import ON
from slotwatch.model.stage import Stage
from slotwatch.snapshot import Severity

MOST_NAMED = 200


@dataclass(frozen=True, slots=True)
class PoweredOffParameters(RuleParameters):
    on_delay_s: float = number(5.0, "time with intensity up and power off before it is raised")
    switched_on_level: int = number(128, "level, of 255, from which a switched way is on")


@dataclass(frozen=True, slots=True)
class PoweredOffFacts(Facts):
    fixtures: str
    circuit: str


class UnpoweredCircuits:
    """The switched circuits that are off, with the fixtures on them that are commanded up."""

    def __init__(self, p: PoweredOffParameters) -> None:
        self._switched_on = p.switched_on_level
        self._names = FixtureNames()
        self._cases: dict[str, list[str]] = {}

    def _stage(self, ctx: RuleContext) -> Stage:
        stage: Stage = ctx.model.stage
        if self._names.follow(stage):
            self._power_place = np.searchsorted(stage.plan.bright_fixture, stage.plan.power.fixture)
        return stage

    def unpowered(self, ctx: RuleContext) -> dict[str, list[str]]:
        """Fixtures with intensity up whose switched circuit is off, by circuit."""
        stage = self._stage(ctx)
        power = stage.plan.power
        if stage.levels is None or not len(power):
            return {}
        off = (stage.levels.of(power) < self._switched_on) & stage.levels.known(power)
        lit = (stage.brightness[self._power_place] >= ON) & stage.known[self._power_place]
        found: dict[str, list[str]] = {}
        for index in np.flatnonzero(off & lit).tolist():
            fixture = stage.plan.fixtures[power.fixture[index]]
            found.setdefault(fixture.circuit, []).append(fixture.name)
        self._cases = {**self._cases, **found}
        return found

    def turned_ns(self, ctx: RuleContext, circuit: str) -> int:
        """When the levels that made a circuit's case last changed: its fixtures', and its own way's."""
        stage = self._stage(ctx)
        fixtures = [one for name in self._cases.get(circuit, ()) if (one := self._names.find(name)) is not None]
        rows = {row for fixture in fixtures for row in fixture_rows(stage, fixture)}
        fed = stage.plan.circuits.get(circuit)
        rows.update(load_rows(ctx, fed.rack) if fed else ())
        return max((int(ctx.universes.last_change_ns[row]) for row in rows), default=ctx.now_ns)

    def describe(self, ctx: RuleContext, circuit: str) -> Finding:
        stage = self._stage(ctx)
        named = self._cases.get(circuit, [])[:MOST_NAMED]
        fixtures = [one for name in named if (one := self._names.find(name)) is not None]
        fed = stage.plan.circuits.get(circuit)
        where = f"{fed.rack} way {fed.way}" if fed else "its way"
        return Finding(
            group=f"circuit:{circuit}",
            since_ns=0,
            universes=tuple(dict.fromkeys(row for fixture in fixtures for row in fixture_rows(stage, fixture))),
            fixtures=tuple(fixture.name for fixture in fixtures),
            facts=PoweredOffFacts(wording.list_names(fixture_text(fixture) for fixture in fixtures), circuit),
            evidence=(f"{where} is commanded off, and {len(fixtures)} fixtures on it are commanded up. {NOT_SEEN}",),
            also_possible=("a patch that names the wrong circuit", "power from elsewhere for this production"),
        )


def bind(setup: RuleSetup, p: PoweredOffParameters) -> tuple[RuleBinding, ...]:
    if not setup.house.fixtures:
        return ()
    circuits = UnpoweredCircuits(p)
    return (RuleBinding(KEYS, circuits.unpowered, circuits.describe, turned_ns=circuits.turned_ns),)


RULE = Rule(
    name="powered-off",
    rule_class=RuleClass.PATCH,
    severity=Severity.WARNING,
    short=ShortWords(
        "{fixture} up, no power", "{n} circuits off with lights up", look="Look at the power cue", audience=3
    ),
    sentence="{fixtures}: intensity is up while circuit {circuit} is off.",
    judged_by=judged_by(PoweredOffParameters(), bind),
    facts=PoweredOffFacts,
    measured=(Threshold("lit_level", ON, "level, of 255, from which a fixture's intensity is up"),),
    faults=("F82",),
    next_checks=("Look at the power cue: was the circuit switched on before the fixture was called?",),
)
