"""What moves too fast or wrongly: flashes that face the audience, groups in step, and 16-bit pairs.

Flashes are counted by WCAG's definition from every frame's levels. That is a caution, never a clearance: the
eye sees lamps, area and distance, and this program sees levels.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, NamedBinding, named
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rules_lights import LOOK_NS, MOST_CASES, NOT_SEEN, SECOND_NS
from slotwatch.model.flashes import TOO_MANY
from slotwatch.model.hours import ON
from slotwatch.model.lightplan import SlotList
from slotwatch.model.stage import SAMPLED_LIGHTS, Stage
from slotwatch.wire.universe import UniverseId

IN_STEP = SAMPLED_LIGHTS
"""So many of the sampled lights of a universe must flash with the same frames: all of them."""
STUCK_MOVES = 20
"""Looks (one a second) in which the coarse slot moved a little and the fine one never (common practice, no source)."""
SMALL_MOVE = 16
SWAPPED_MOVES = 10
SWAPPED_JUMP = 32
SWAPPED_CREEP = 4
MAX_FLASHES_HZ = 3.0
"""WCAG 2.3.1."""


_EVIDENCE = {
    "stuck": f"In {STUCK_MOVES} seconds with small moves of the coarse slot the fine one kept its level.",
    "swapped": "The coarse slot jumps by an eighth of its range and more while the fine one creeps.",
    "torn": "For single frames the 16-bit value was one coarse step off and then right again.",
}


def bindings(house: House) -> tuple[NamedBinding, ...]:
    if not house.fixtures:
        return ()
    rules = MotionRules(house)
    return (
        named("flash-rate", KEYS, rules.flashing, rules.describe_flashing, LOOK_NS),
        named("fine-stuck", KEYS, rules.stuck, rules.describe_pair, SECOND_NS),
        named("fine-swapped", KEYS, rules.swapped, rules.describe_pair, SECOND_NS),
        named("torn-pair", KEYS, rules.torn, rules.describe_pair, SECOND_NS),
    )


class MotionRules:
    """The conditions with what they remember."""

    def __init__(self, house: House) -> None:
        self._strobes_hz = {p.name: p.strobe_hz for p in house.profiles if p.strobe_hz is not None}
        self._fixtures = {fixture.name: fixture for fixture in house.fixtures}
        self._stage_of: object = None
        self._looked_ns = -1
        self._rates: dict[Any, tuple[float, str]] = {}

    def _fit(self, stage: Stage) -> None:
        """Begin anew with another patch."""
        plan = self._stage_of = stage.plan
        self._audience = np.array(stage.audience_fixture, np.int64)
        strobes = []
        for number in dict.fromkeys(stage.audience_fixture):
            fixture = plan.fixtures[number]
            if fixture.profile in self._strobes_hz and "strobe" in fixture.slots:
                slot = fixture.address - 1 + fixture.slots.index("strobe")
                if slot < 512:
                    strobes.append((plan.declared[fixture.universe], slot, number))
        self._strobes = SlotList(strobes)
        count = len(plan.coarse)
        self._coarse = self._fine = np.zeros(0, np.uint8)
        self._stuck = np.zeros(count, np.int32)
        self._swapped = np.zeros(count, np.int32)

    # --- flashes --------------------------------------------------------------------------------------------

    def flashing(self, ctx: RuleContext) -> dict[Any, Any]:
        """Fixtures that face the audience, and groups in step, with more than three flashes in a second."""
        stage: Stage = ctx.model.stage
        if stage.plan is not self._stage_of:
            self._fit(stage)
        found: dict[Any, tuple[float, str]] = {}
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
    def _find_groups(ctx: RuleContext, stage: Stage, found: dict[Any, Any]) -> None:
        flashes = stage.group_flashes
        fast = flashes.too_fast(ctx.now_ns)
        for row in np.flatnonzero((fast.sum(1) >= IN_STEP) & stage.has_group).tolist():
            newest = flashes.times_ns[row, fast[row], -1]
            if (newest == newest.max()).sum() >= IN_STEP:
                identity = stage.house.universes[stage.sample_watch.universe[row]].id
                rate_hz = float(flashes.rates_hz()[row, fast[row]].max())
                found[identity] = (rate_hz, "its lights rise and fall in step")

    def _find_strobes(self, stage: Stage, found: dict[Any, Any]) -> None:
        """A strobe slot makes the fixture flash by itself; its rate comes only from its profile."""
        if stage.levels is None or not len(self._strobes):
            return
        levels = stage.levels.of(self._strobes)
        for index in np.flatnonzero(levels).tolist():
            number = int(self._strobes.fixture[index])
            fixture = stage.plan.fixtures[number]
            place = int(np.searchsorted(stage.plan.bright_fixture, number))
            low, high = self._strobes_hz[fixture.profile] or (0.0, 0.0)
            rate_hz = low + (high - low) * (int(levels[index]) - 1) / 254
            if rate_hz > MAX_FLASHES_HZ and stage.brightness[place] >= ON:
                found[fixture.name] = (rate_hz, f"its strobe slot stands at {levels[index]}, by its profile's range")

    def describe_flashing(self, ctx: RuleContext, key: Any) -> Finding:
        stage: Stage = ctx.model.stage
        rate_hz, why = self._rates.get(key, (0.0, "its levels rise and fall"))
        if isinstance(key, UniverseId):
            said, fixtures, universe = f"A group of lights on {key}", (), key
            how = f"all {IN_STEP} sampled lights of {key}: {why}"
        else:
            fixture = self._fixtures.get(key)
            if fixture is None:
                return Finding(group=f"gone:{key}", since_ns=0, facts={"fixtures": str(key), "rate": "0"})
            said, universe = f"{fixture.label or fixture.name}, which faces the audience,", fixture.universe
            fixtures = (fixture.name,)  # type: ignore[assignment]
            how = f"{fixture.name}: {why}"
        declared = stage.plan.declared.get(universe)
        row = -1 if stage.levels is None or declared is None else int(stage.levels.row[declared])
        return Finding(
            group=f"flash:{universe}",
            since_ns=0,
            universes=(row,) if row >= 0 else (),
            fixtures=fixtures,
            facts={"fixtures": said, "rate": f"{rate_hz:.1f}"},
            evidence=(
                f"{how[0].upper()}{how[1:]}.",
                f"A flash is a pair of opposing changes of 10 % or more (WCAG 2.3.1), {TOO_MANY // 2} or more of them "
                f"within a second. {NOT_SEEN}",
            ),
            also_possible=("an effect that is meant so: it can be accepted with its reason",),
            weight=rate_hz,
        )

    # --- 16-bit pairs ----------------------------------------------------------------------------------------

    def _look_at_pairs(self, ctx: RuleContext) -> Stage:
        """Once a second: how coarse and fine slots moved since the last look."""
        stage: Stage = ctx.model.stage
        if stage.plan is not self._stage_of:
            self._fit(stage)
        if stage.levels is None or self._looked_ns == ctx.now_ns or not len(stage.plan.coarse):
            return stage
        self._looked_ns = ctx.now_ns
        coarse = stage.levels.of(stage.plan.coarse)
        fine = stage.levels.at(stage.plan.coarse.declared, stage.plan.fine)
        if len(self._coarse) == len(coarse):
            known = stage.levels.known(stage.plan.coarse)
            moved = np.abs(coarse.astype(np.int16) - self._coarse)
            crept = np.abs(fine.astype(np.int16) - self._fine)
            self._stuck += (moved > 0) & (moved <= SMALL_MOVE) & known
            self._stuck[crept > 0] = 0
            self._swapped += (moved >= SWAPPED_JUMP) & (crept > 0) & (crept <= SWAPPED_CREEP) & known
            self._swapped[crept > SMALL_MOVE] = 0
        self._coarse, self._fine = coarse, fine
        return stage

    def stuck(self, ctx: RuleContext) -> dict[Any, Any]:
        """Fine slots of pan and tilt that never move while the coarse slot moves in small steps."""
        return self._named(self._look_at_pairs(ctx), "stuck", self._stuck >= STUCK_MOVES)

    def swapped(self, ctx: RuleContext) -> dict[Any, Any]:
        """Coarse slots that jump about while the fine one creeps: they are the wrong way round."""
        return self._named(self._look_at_pairs(ctx), "swapped", self._swapped >= SWAPPED_MOVES)

    def _named(self, stage: Stage, what: str, found: NDArray[np.bool_]) -> dict[Any, Any]:
        keys: dict[Any, Any] = {}
        for index in np.flatnonzero(found)[:MOST_CASES].tolist():
            fixture = stage.plan.fixtures[stage.plan.coarse.fixture[index]]
            role = fixture.slots[int(stage.plan.coarse.slot[index]) - fixture.address + 1]
            keys[(what, fixture.name, role)] = None
        return keys

    def torn(self, ctx: RuleContext) -> dict[Any, Any]:
        """Watched pairs that jumped by one coarse step for a single frame, three times in a minute."""
        stage: Stage = ctx.model.stage
        if stage.plan is not self._stage_of:
            self._fit(stage)
        torn = np.argwhere(stage.pairs.torn(ctx.now_ns)).tolist()
        named = [stage.pair_fixtures[row][column] for row, column in torn if column < len(stage.pair_fixtures[row])]
        fixtures = [stage.plan.fixtures[number] for number in named]
        return {("torn", fixture.name, "a 16-bit pair"): None for fixture in fixtures}

    def describe_pair(self, ctx: RuleContext, key: Any) -> Finding:
        stage: Stage = ctx.model.stage
        what, name, role = key
        fixture = self._fixtures.get(name)
        if fixture is None:
            return Finding(group=f"gone:{name}", since_ns=0, facts={"fixtures": name, "role": role})
        declared = stage.plan.declared.get(fixture.universe)
        row = -1 if stage.levels is None or declared is None else int(stage.levels.row[declared])
        # One wrong profile shows on every fixture that uses it: one note for all of them.
        return Finding(
            group=f"{what}:{fixture.profile or name}:{role}",
            since_ns=0,
            universes=(row,) if row >= 0 else (),
            fixtures=(name,),
            facts={"fixtures": wording.list_names([fixture.label or name]), "role": role},
            evidence=(f"{_EVIDENCE[what]} {NOT_SEEN}",),
        )
