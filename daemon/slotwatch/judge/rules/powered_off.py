"""Fixtures with intensity up whose switched circuit is off."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.house.schema import Fixture
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lights import NOT_SEEN, FixtureNames, fixture_rows, fixture_text, level_from
from slotwatch.judge.loads import load_rows
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.rules.non_dim_partial import NonDimPartialParameters
from slotwatch.model.hours import ON
from slotwatch.model.stage import Stage
from slotwatch.snapshot import Severity

MOST_NAMED = 200


@dataclass(frozen=True, slots=True)
class PoweredOffParameters(RuleParameters):
    on_delay_s: float = number(5.0, "time with intensity up and power off before the incident opens")
    switched_on_level: int = number(128, "level, of 255, from which a switched way is on")
    together_s: float = number(2.0, "time within which circuits that go off count as one power cue")


@dataclass(frozen=True, slots=True)
class PoweredOffFacts(Facts):
    fixtures: str
    circuits: str


class UnpoweredCircuits:
    """The switched circuits that are off, with the fixtures on them that are commanded up."""

    def __init__(self, p: PoweredOffParameters, partial_percent: float) -> None:
        """partial_percent: level from which a relay is no longer off, and a case of `non-dim-partial`."""
        self._partial = level_from(partial_percent)
        self._switched_on = p.switched_on_level
        self._together_ns = ns_from_s(p.together_s)
        self._names = FixtureNames()
        self._cases: dict[str, list[str]] = {}
        self._cues: dict[str, str] = {}
        """Which power cue each circuit that is off went off with."""
        self._last_cue = self._last_off_ns = 0
        self._looked = False
        self._found: dict[str, list[str]] = {}
        self._circuits: list[str] = []

    def _stage(self, ctx: RuleContext) -> Stage:
        stage: Stage = ctx.model.stage
        if self._names.follow(stage):
            self._power_place = np.searchsorted(stage.plan.bright_fixture, stage.plan.power.fixture)
            self._circuits = [stage.plan.fixtures[index].circuit for index in stage.plan.power.fixture.tolist()]
            self._cues, self._looked = {}, False
        return stage

    def unpowered(self, ctx: RuleContext) -> dict[str, list[str]]:
        """Fixtures with intensity up whose switched circuit is off, by circuit."""
        stage = self._stage(ctx)
        power = stage.plan.power
        if stage.levels is None or not len(power):
            return {}
        off = (stage.levels.of(power) < self._switched_on) & stage.levels.known(power)
        self._follow_cues(ctx, {self._circuits[index] for index in np.flatnonzero(off).tolist()})
        lit = (stage.brightness[self._power_place] >= ON) & stage.known[self._power_place]
        found: dict[str, list[str]] = {}
        for index in np.flatnonzero(off & lit).tolist():
            fixture = stage.plan.fixtures[power.fixture[index]]
            found.setdefault(fixture.circuit, []).append(fixture.name)
        self._found = found
        self._cases = {**self._cases, **found}
        return found

    def _follow_cues(self, ctx: RuleContext, off: set[str]) -> None:
        """Sort circuits by the power cue that switched them off; those that never were on are one of their own."""
        new = off - self._cues.keys()
        self._cues = {circuit: cue for circuit, cue in self._cues.items() if circuit in off}
        if new and self._looked:
            if not self._last_off_ns or ctx.now_ns - self._last_off_ns > self._together_ns:
                self._last_cue += 1
            self._last_off_ns = ctx.now_ns
        self._cues.update(dict.fromkeys(new, f"cue:{self._last_cue}" if self._looked else "never on"))
        self._looked |= bool(off) or ctx.now_ns - ctx.started_ns > self._together_ns

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
        fixtures = self._fixtures((circuit,))
        fed = stage.plan.circuits.get(circuit)
        where = f"{fed.rack} way {fed.way}" if fed else "its way"
        cue = self._cues.get(circuit, circuit)
        # A relay at half level is another fault. Its own rule names what is connected there.
        mates = [one for one in self._found if self._cues.get(one) == cue and not self._is_partial(stage, one)]
        together = mates if circuit in mates else [circuit]
        names = wording.list_names(together)
        every = self._fixtures(together)
        noun, are = ("circuit", "is") if len(together) == 1 else ("circuits", "are")
        return Finding(
            group=f"power:{cue}",
            since_ns=0,
            universes=tuple(dict.fromkeys(row for fixture in fixtures for row in fixture_rows(stage, fixture))),
            fixtures=tuple(fixture.name for fixture in fixtures),
            facts=PoweredOffFacts(wording.list_names(map(fixture_text, every)), f"{noun} {names} {are}"),
            evidence=(
                f"{where} is commanded off, and {wording.count(len(fixtures), 'fixture')} on it "
                f"{'is' if len(fixtures) == 1 else 'are'} commanded up. {NOT_SEEN}",
            ),
            also_possible=("a patch that names the wrong circuit", "power from elsewhere for this production"),
            weight=float(len(together)),
        )

    def _fixtures(self, circuits: Iterable[str]) -> list[Fixture]:
        """The fixtures on circuits that are commanded up, or were when the case was found last."""
        names = [name for circuit in circuits for name in self._cases.get(circuit, ())[:MOST_NAMED]]
        return [one for name in names if (one := self._names.find(name)) is not None]

    def _is_partial(self, stage: Stage, circuit: str) -> bool:
        """Whether the circuit's way is neither off nor on, so that it is a case of `non-dim-partial`."""
        if stage.levels is None:
            return False
        levels = stage.levels.of(stage.plan.power).tolist()
        return any(
            level >= self._partial for level, name in zip(levels, self._circuits, strict=True) if name == circuit
        )


def bind(setup: RuleSetup, p: PoweredOffParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("fixtures"):
        return ()
    circuits = UnpoweredCircuits(p, setup.parameters(NonDimPartialParameters).low_percent)
    return (RuleBinding(KEYS, circuits.unpowered, circuits.describe, turned_ns=circuits.turned_ns),)


RULE = Rule(
    name="powered-off",
    rule_class=RuleClass.PATCH,
    severity=Severity.WARNING,
    short=ShortWords("{fixture} up, no power", "{n} lights up, no power", look="Look at the power cue", audience=3),
    sentence="{fixtures}: intensity is up while {circuits} off.",
    judged_by=judged_by(PoweredOffParameters(), bind),
    facts=PoweredOffFacts,
    measured=(Threshold("lit_level", ON, "level, of 255, from which a fixture's intensity is up"),),
    faults=("F82",),
    next_checks=("Look at the power cue: was the circuit switched on before the fixture was called?",),
)
