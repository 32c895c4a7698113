"""What faces the audience flashes too fast, or a group of lights does so in step.

Flashes are counted by WCAG's definition from every frame's levels. That is a caution, never a clearance: the
eye sees lamps, area and distance, and this program sees levels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lights import FULL, MOST_CASES, NOT_SEEN, fixture_name
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.flashes import CHANGE, DARK_BELOW, TOO_MANY, WINDOW_NS
from slotwatch.model.hours import ON
from slotwatch.model.lightplan import SlotList
from slotwatch.model.stage import SAMPLED_LIGHTS, Stage
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import SLOTS, UniverseId

WCAG = "WCAG 2.3.1"
IN_STEP = SAMPLED_LIGHTS
"""How many of the sampled lights of a universe must flash with the same frames: all of them."""
Flashing = str | UniverseId
"""Name of a fixture, or the universe of a group."""


@dataclass(frozen=True, slots=True)
class FlashRateParameters(RuleParameters):
    on_delay_s: float = number(2.0, "time over the rate before the incident opens")
    strobe_hz: float = number(3.0, "flashes a second of a strobe slot, by the fixture's profile", WCAG)


@dataclass(frozen=True, slots=True)
class FlashRateFacts(Facts):
    fixtures: str
    rate: str


class FlashingLights:
    """What flashes now, and how fast."""

    def __init__(self, house: House, p: FlashRateParameters) -> None:
        self._limit_hz = p.strobe_hz
        self._strobes_hz = {p.name: p.strobe_hz for p in house.profiles if p.strobe_hz is not None}
        self._fixtures = {fixture.name: fixture for fixture in house.fixtures}
        self._stage_of: object = None
        self._rates: dict[Flashing, tuple[float, str]] = {}

    def _fit(self, stage: Stage) -> None:
        """Begin again with another patch."""
        plan = self._stage_of = stage.plan
        self._audience = np.array(stage.audience_fixture, np.int64)
        strobes = []
        for place in dict.fromkeys(stage.audience_fixture):
            fixture = plan.fixtures[place]
            if fixture.profile in self._strobes_hz and "strobe" in fixture.slots:
                slot = fixture.address - 1 + fixture.slots.index("strobe")
                if slot < SLOTS:
                    strobes.append((plan.declared[fixture.universe], slot, place))
        self._strobes = SlotList(strobes)

    def flashing(self, ctx: RuleContext) -> dict[Flashing, tuple[float, str]]:
        """Fixtures that face the audience, and groups in step, with more than three flashes in a second."""
        stage: Stage = ctx.model.stage
        if stage.plan is not self._stage_of:
            self._fit(stage)
        found: dict[Flashing, tuple[float, str]] = {}
        fast = stage.audience_flashes.too_fast(ctx.now_ns)[:, 0]
        if fast.any():
            rates = stage.audience_flashes.rates_hz()[:, 0]
            for index in np.flatnonzero(fast)[:MOST_CASES].tolist():
                fixture = stage.plan.fixtures[self._audience[index]]
                found[fixture.name] = (float(rates[index]), "its levels rise and fall")
        self._find_groups(ctx, stage, found)
        self._find_strobes(stage, found)
        self._rates |= found
        return found

    @staticmethod
    def _find_groups(ctx: RuleContext, stage: Stage, found: dict[Flashing, tuple[float, str]]) -> None:
        flashes = stage.group_flashes
        fast = flashes.too_fast(ctx.now_ns)
        for row in np.flatnonzero((fast.sum(1) >= IN_STEP) & stage.has_group).tolist():
            newest = flashes.times_ns[row, fast[row], -1]
            if (newest == newest.max()).sum() >= IN_STEP:
                identity = stage.house.universes[stage.sample_watch.universe[row]].id
                rate_hz = float(flashes.rates_hz()[row, fast[row]].max())
                found[identity] = (rate_hz, "its lights rise and fall in step")

    def _find_strobes(self, stage: Stage, found: dict[Flashing, tuple[float, str]]) -> None:
        """A strobe slot makes the fixture itself flash; its rate comes only from its profile."""
        if stage.levels is None or not len(self._strobes):
            return
        levels = stage.levels.of(self._strobes)
        for index in np.flatnonzero(levels).tolist():
            fixture_at = int(self._strobes.fixture[index])
            fixture = stage.plan.fixtures[fixture_at]
            place = int(np.searchsorted(stage.plan.bright_fixture, fixture_at))
            low_hz, high_hz = self._strobes_hz[fixture.profile] or (0.0, 0.0)
            rate_hz = low_hz + (high_hz - low_hz) * (int(levels[index]) - 1) / (FULL - 1)
            if rate_hz > self._limit_hz and stage.brightness[place] >= ON:
                found[fixture.name] = (rate_hz, f"its strobe slot is at {levels[index]}, by its profile's range")

    def describe(self, ctx: RuleContext, key: Flashing) -> Finding:
        stage: Stage = ctx.model.stage
        rate_hz, why = self._rates.get(key, (0.0, "its levels rise and fall"))
        fixtures: tuple[str, ...] = ()
        if isinstance(key, UniverseId):
            lights, universe = f"A group of lights on {key}", key
            how = f"all {IN_STEP} sampled lights of {key}: {why}"
        else:
            fixture = self._fixtures.get(key)
            if fixture is None:
                return Finding(group=f"gone:{key}", since_ns=0, facts=FlashRateFacts(key, "0"))
            lights, universe = f"{fixture_name(fixture)}, which faces the audience", fixture.universe
            fixtures = (fixture.name,)
            how = f"{fixture.name}: {why}"
        declared = stage.plan.declared.get(universe)
        row = -1 if stage.levels is None or declared is None else int(stage.levels.row[declared])
        return Finding(
            group=f"flash:{universe}",
            since_ns=0,
            universes=(row,) if row >= 0 else (),
            fixtures=fixtures,
            facts=FlashRateFacts(lights, f"{rate_hz:.1f}"),
            evidence=(
                f"{wording.at_the_start(how)}.",
                f"A flash is a pair of opposing changes of 10 % or more (WCAG 2.3.1), {TOO_MANY // 2} or more of them "
                f"within a second. {NOT_SEEN}",
                "Levels do not show saturated red, area or brightness. No compliance with a standard is claimed.",
            ),
            also_possible=("an effect that is intended: it can be accepted with a reason",),
            weight=rate_hz,
        )


def bind(setup: RuleSetup, p: FlashRateParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("fixtures"):
        return ()
    lights = FlashingLights(setup.house, p)
    return (RuleBinding(KEYS, lights.flashing, lights.describe),)


RULE = Rule(
    name="flash-rate",
    rule_class=RuleClass.PATCH,
    severity=Severity.WARNING,
    short=ShortWords("flashes too fast", "{n} flash too fast", look="Look at the warning signs", audience=3),
    sentence="{fixtures}: {rate} flashes a second. Caution: an estimate from levels and no compliance test.",
    judged_by=judged_by(FlashRateParameters(), bind),
    facts=FlashRateFacts,
    measured=(
        Threshold("flashes", TOO_MANY / 2, "flashes within the window that are too many", WCAG),
        Threshold("window_s", WINDOW_NS / NANOSECONDS, "time in which flashes are counted", WCAG),
        Threshold("change_level", CHANGE, "opposing change, of 255, that makes half a flash: 10 %", WCAG),
        Threshold("dark_level", DARK_BELOW, "level, of 255, under which the darker state lies: 80 %", WCAG),
        Threshold("lit_level", ON, "level, of 255, from which a fixture with a strobe slot is lit"),
    ),
    source="WCAG 2.2, 2.3.1; the licence or the venue decides",
    faults=("F87",),
    next_checks=("Check whether the warning signs are up and the duty manager knows of this effect.",),
)
