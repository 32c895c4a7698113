"""Fixtures that are not expected to be on stay on while the house is dark."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.house.schema import House, Phase
from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lights import FULL, NOT_SEEN, carry_over, fixture_rows, fixture_text, level_of
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.stage import Stage
from slotwatch.snapshot import Severity

MOST_NAMED = 200
HOUSE = "house"
"""The key of its one case."""
NO_POWER = "Their power is not known: no nameplate load is declared for them."


@dataclass(frozen=True, slots=True)
class LightsLeftOnParameters(RuleParameters):
    lit_percent: float = number(5.0, "level above which a fixture is on")
    held_s: float = number(600.0, "time on, and in the phase dark, before it is reported")
    warning_s: float = number(3600.0, "time after which it is a warning")


@dataclass(frozen=True, slots=True)
class LightsLeftOnFacts(Facts):
    fixtures: str
    power: str


class LightsLeftOn:
    """Since when each fixture that is not expected on is on in the dark."""

    def __init__(self, p: LightsLeftOnParameters) -> None:
        self._lit = level_of(p.lit_percent)
        self._held_ns, self._warning_ns = ns_from_s(p.held_s), ns_from_s(p.warning_s)
        self._house: House | None = None
        self._loads: dict[str, float] = {}
        self._names: list[str] = []
        self._since_ns: NDArray[np.int64] = np.zeros(0, np.int64)
        self._may: NDArray[np.bool_] = np.zeros(0, np.bool_)
        self._held = np.zeros(0, np.intp)

    def _stage(self, ctx: RuleContext) -> Stage:
        """Give the model's stage; what is known of a fixture stays under another house file."""
        stage: Stage = ctx.model.stage
        if stage.house is not self._house:
            self._house, dark = stage.house, stage.house.dark
            expected, going_on = frozenset(dark.expected_on), frozenset(dark.universes)
            self._loads = fixture_loads(stage.house)
            fixtures = [stage.plan.fixtures[n] for n in stage.plan.bright_fixture.tolist()]
            former, self._names = self._names, [one.name for one in fixtures]
            self._since_ns = carry_over(self._since_ns, self._names, former, others=0)
            is_reported = [
                one.universe not in going_on and expected.isdisjoint((one.name, one.label)) for one in fixtures
            ]
            self._may = np.array(is_reported, np.bool_)
            self._held = np.zeros(0, np.intp)
        return stage

    def held(self, ctx: RuleContext) -> dict[str, int]:
        """The house, while something has been left on for the rule's time."""
        stage = self._stage(ctx)
        if ctx.phase is not Phase.DARK:
            self._since_ns[:] = 0
            return {}
        if stage.levels is None or len(stage.brightness) != len(self._since_ns):
            return {}
        on = self._may & (stage.brightness > self._lit) & stage.known
        began_ns = np.where(self._since_ns == 0, ctx.now_ns, self._since_ns)
        self._since_ns = np.where(on, began_ns, 0)
        self._held = np.flatnonzero((self._since_ns > 0) & (ctx.now_ns - self._since_ns >= self._held_ns))
        return {HOUSE: len(self._held)} if len(self._held) else {}

    def describe(self, ctx: RuleContext, _key: str) -> Finding:
        stage = self._stage(ctx)
        held = self._held
        # Before the least time is over nothing is held, so one that is described has a beginning.
        since_ns = int(self._since_ns[held].min()) if len(held) else ctx.now_ns
        fixtures = [stage.plan.fixtures[n] for n in stage.plan.bright_fixture[held].tolist()]
        levels = stage.brightness[held].tolist()
        known = [
            self._loads[one.name] * level / FULL
            for one, level in zip(fixtures, levels, strict=True)
            if one.name in self._loads
        ]
        power = f", an estimated {wording.say_power(sum(known))}" if known else ""
        unknown = len(fixtures) - len(known)
        estimate = f"Nameplate load times level; {unknown} of {len(fixtures)} have no declared load."
        named = fixtures[:MOST_NAMED]
        return Finding(
            group="dark",
            since_ns=since_ns,
            universes=tuple(dict.fromkeys(row for one in named for row in fixture_rows(stage, one))),
            fixtures=tuple(one.name for one in named),
            facts=LightsLeftOnFacts(wording.list_names(fixture_text(one) for one in named), power),
            evidence=(f"Fixtures on: {len(fixtures)}. {NOT_SEEN}", estimate if known else NO_POWER),
            quiet_until_ns=since_ns + self._warning_ns,
            also_possible=("work on stage in the phase dark", "a ghost light or work light that is not declared"),
        )


def fixture_loads(house: House) -> dict[str, float]:
    """Nameplate watts by fixture: its profile's, else its share of its circuit's."""
    profiles = {one.name: one.load_w for one in house.profiles}
    circuits = {one.name: one.load_w for one in house.circuits}
    on_circuit: dict[str, int] = {}
    for fixture in house.fixtures:
        on_circuit[fixture.circuit] = on_circuit.get(fixture.circuit, 0) + 1
    found: dict[str, float] = {}
    for fixture in house.fixtures:
        own = profiles.get(fixture.profile)
        shared = circuits.get(fixture.circuit, 0.0) / on_circuit[fixture.circuit]
        if load := own if own is not None else shared:
            found[fixture.name] = load
    return found


def bind(setup: RuleSetup, p: LightsLeftOnParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("fixtures"):
        return ()
    left = LightsLeftOn(p)
    return (RuleBinding(KEYS, left.held, left.describe, EVERY_SECOND_NS),)


RULE = Rule(
    name="lights-left-on",
    rule_class=RuleClass.PATCH,
    severity=Severity.WARNING,
    short=ShortWords("lights left on", "{n} lights left on", look="Find out who works on stage"),
    sentence="{fixtures}: on while the house is dark, since {since}{power}.",
    found_after=("held_s",),
    judged_by=judged_by(LightsLeftOnParameters(), bind),
    facts=LightsLeftOnFacts,
    next_checks=(
        "Check whether somebody works on stage.",
        "Look at the desk or the house-light control that holds these levels.",
        "If they belong on at night, name them in `[dark] expected_on`, or their whole universe in `[dark] universes`.",
    ),
)
