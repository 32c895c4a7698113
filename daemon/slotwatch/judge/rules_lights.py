"""Lights against what is hung: parked relay circuits, power that is off, held glare and commands.

Every finding is about what is commanded; nothing here sees a lamp. State between passes is arrays in the order
of the model's `LightPlan`; cases are told by names, so that they outlive a reload.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import Fixture, House
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, NamedBinding, named
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rules_loads import load_rows
from slotwatch.model.hours import ON
from slotwatch.model.lightplan import LightPlan
from slotwatch.model.stage import Stage

SECOND_NS = 1_000_000_000
LOOK_NS = 100_000_000
NOT_SEEN = "Commanded, not seen lit."
CREEP = 2
"""A last step of at most this may belong to a fade that passes through slowly …"""
CREEP_NS = 10 * SECOND_NS
"""… so it must have stood this long (common practice, no source)."""
SWITCHED_ON = 128
"""Half: a switched way is on from here (common practice, no source)."""
GLARE = 204
"""80 % of full."""
GLARE_NS = 60 * SECOND_NS
MOST_NAMED = 200
MOST_CASES = 500
"""More cases of one rule than this tell nobody more."""


def bindings(house: House) -> tuple[NamedBinding, ...]:
    if not house.fixtures:
        return ()
    rules = LightRules()
    return (
        named(
            "non-dim-partial",
            KEYS,
            rules.parked,
            rules.describe_parked,
            LOOK_NS,
            on_delay_s=0,
            timed=True,
            is_wary=rules.is_one_partial,
        ),
        named("powered-off", KEYS, rules.unpowered, rules.describe_unpowered, LOOK_NS, turned_ns=rules.turned_ns),
        named("control-held", KEYS, rules.held_controls, rules.describe_control, SECOND_NS),
        named("glare-held", KEYS, rules.held_glare, rules.describe_glare, SECOND_NS, on_delay_s=0),
    )


class LightRules:
    """The conditions with what they remember."""

    def __init__(self) -> None:
        rule = CATALOG["non-dim-partial"]
        self._low = int(np.ceil(rule.threshold("low_percent") * 2.55))
        self._high = int(rule.threshold("high_percent") * 2.55)
        self._dwell_ns = int(rule.threshold("dwell_s") * SECOND_NS)
        self._plan: LightPlan | None = None
        self._partial = False
        self._numbers: dict[str, int] = {}
        self._cases: dict[str, Any] = {}

    def _stage(self, ctx: RuleContext) -> Stage:
        """The model's stage; memory begins anew when it has another patch."""
        stage: Stage = ctx.model.stage
        plan = stage.plan
        if plan is not self._plan:
            self._plan = plan
            self._numbers = {}
            for number, fixture in enumerate(plan.fixtures):
                self._numbers.setdefault(fixture.name, number)
            self._parked_ns = ctx.now_ns
            self._value = np.zeros(len(plan.non_dim), np.uint8)
            self._since_ns = np.full(len(plan.non_dim), ctx.now_ns, np.int64)
            self._step = np.full(len(plan.non_dim), 255, np.int16)
            self._glare_ns = np.zeros(len(plan.bright_fixture), np.int64)
            self._faces = np.array([plan.fixtures[n].faces_audience for n in plan.bright_fixture.tolist()], np.bool_)
            self._power_place = np.searchsorted(plan.bright_fixture, plan.power.fixture)
        return stage

    def _fixture(self, name: str) -> Fixture | None:
        assert self._plan is not None
        number = self._numbers.get(name)
        return None if number is None else self._plan.fixtures[number]

    # --- relay circuits between off and full --------------------------------------------------------------

    def parked(self, ctx: RuleContext) -> dict[Any, Any]:
        """A non-dim slot stands at one level between off and full; a fade passing through does not."""
        stage = self._stage(ctx)
        slots = stage.plan.non_dim
        if stage.levels is None or not len(slots):
            return {}
        value = stage.levels.of(slots)
        step = np.abs(value.astype(np.int16) - self._value)
        moved = step > 0
        self._value = value
        self._since_ns[moved] = _changed_ns(ctx, stage, slots.declared[moved], self._parked_ns)
        self._parked_ns = ctx.now_ns
        self._step[moved] = step[moved]
        needed = np.where(self._step <= CREEP, CREEP_NS, self._dwell_ns)
        partial = (value >= self._low) & (value <= self._high) & stage.levels.known(slots)
        self._partial = bool(partial.any())
        found = np.flatnonzero(partial & (ctx.now_ns - self._since_ns >= needed))[:MOST_CASES].tolist()
        fixtures = stage.plan.fixtures
        return {(fixtures[slots.fixture[i]].name, int(slots.slot[i]) + 1): int(self._since_ns[i]) for i in found}

    def is_one_partial(self, ctx: RuleContext) -> bool:
        """Whether a relay's slot is between off and full: looked at rarely, a chase could seem to stand there."""
        return self._partial

    def describe_parked(self, ctx: RuleContext, key: Any) -> Finding:
        name, slot = key
        stage = self._stage(ctx)
        fixture = self._fixture(name)
        if fixture is None:
            return _gone(name)
        level = _level(stage, fixture, slot)
        way = stage.plan.way_of_slot(fixture.universe, slot)
        module = way[2].module if way is not None and way[2] is not None else ""
        percent = round(level / 2.55)
        where = f" on a {module} way, {way[0]} way {way[1]}" if way is not None and module else ""
        return Finding(
            group=f"fixture:{name}",
            since_ns=0,
            universes=_rows(stage, fixture),
            fixtures=(name,),
            facts={"fixtures": _said(fixture), "percent": str(percent), "way": where},
            evidence=(f"{fixture.universe} slot {slot} stands at {level} of 255. {NOT_SEEN}",),
            # Only a dimmer harms what must not be dimmed; a relay stays on or off.
            lower=0 if module == "dimmer" else 1,
        )

    # --- lights on, power off ---------------------------------------------------------------------------------

    def unpowered(self, ctx: RuleContext) -> dict[Any, Any]:
        """Fixtures with intensity up whose switched circuit is off, by circuit."""
        stage = self._stage(ctx)
        power = stage.plan.power
        if stage.levels is None or not len(power):
            return {}
        off = (stage.levels.of(power) < SWITCHED_ON) & stage.levels.known(power)
        lit = (stage.brightness[self._power_place] >= ON) & stage.known[self._power_place]
        found: dict[str, list[str]] = {}
        for index in np.flatnonzero(off & lit).tolist():
            fixture = stage.plan.fixtures[power.fixture[index]]
            found.setdefault(fixture.circuit, []).append(fixture.name)
        self._cases = {**self._cases, **found}
        return found

    def turned_ns(self, ctx: RuleContext, circuit: Any) -> int:
        """When the levels that made a circuit's case last changed: its fixtures', and its own way's."""
        stage = self._stage(ctx)
        fixtures = [fixture for name in self._cases.get(circuit, ()) if (fixture := self._fixture(name)) is not None]
        rows = {row for fixture in fixtures for row in _rows(stage, fixture)}
        fed = stage.plan.circuits.get(circuit)
        rows.update(load_rows(ctx, fed.rack) if fed else ())
        return max((int(ctx.universes.last_change_ns[row]) for row in rows), default=ctx.now_ns)

    def describe_unpowered(self, ctx: RuleContext, circuit: Any) -> Finding:
        stage = self._stage(ctx)
        fixtures = [f for name in self._cases.get(circuit, ())[:MOST_NAMED] if (f := self._fixture(name)) is not None]
        fed = stage.plan.circuits.get(circuit)
        where = f"{fed.rack} way {fed.way}" if fed else "its way"
        return Finding(
            group=f"circuit:{circuit}",
            since_ns=0,
            universes=tuple(dict.fromkeys(row for fixture in fixtures for row in _rows(stage, fixture))),
            fixtures=tuple(fixture.name for fixture in fixtures),
            facts={"fixtures": wording.list_names(_said(fixture) for fixture in fixtures), "circuit": circuit},
            evidence=(f"{where} is commanded off, and {len(fixtures)} fixtures on it are commanded up. {NOT_SEEN}",),
            also_possible=("a patch that names the wrong circuit", "power from elsewhere for this production"),
        )

    # --- held commands and glare --------------------------------------------------------------------------------

    def held_controls(self, ctx: RuleContext) -> dict[Any, Any]:
        """Control slots that are not at zero."""
        stage = self._stage(ctx)
        slots = stage.plan.control
        if stage.levels is None or not len(slots):
            return {}
        found = np.flatnonzero(stage.levels.of(slots))[:MOST_CASES].tolist()
        return {(stage.plan.fixtures[slots.fixture[i]].name, int(slots.slot[i]) + 1): None for i in found}

    def describe_control(self, ctx: RuleContext, key: Any) -> Finding:
        name, slot = key
        stage = self._stage(ctx)
        fixture = self._fixture(name)
        if fixture is None:
            return _gone(name)
        return Finding(
            group=f"control:{fixture.universe}",
            since_ns=0,
            universes=_rows(stage, fixture),
            fixtures=(name,),
            facts={"fixtures": _said(fixture)},
            evidence=(f"{fixture.universe} slot {slot} stands at {_level(stage, fixture, slot)}. {NOT_SEEN}",),
            also_possible=("a mode whose slots lie otherwise than the patch says",),
        )

    def held_glare(self, ctx: RuleContext) -> dict[Any, Any]:
        """What faces the audience has stood above 80 % for a minute."""
        stage = self._stage(ctx)
        if not self._faces.any() or len(stage.brightness) != len(self._glare_ns):
            return {}
        up = self._faces & (stage.brightness > GLARE) & stage.known
        self._glare_ns = np.where(up, np.where(self._glare_ns == 0, ctx.now_ns, self._glare_ns), 0)
        held = np.flatnonzero((self._glare_ns > 0) & (ctx.now_ns - self._glare_ns >= GLARE_NS))[:MOST_CASES]
        return {stage.plan.fixtures[stage.plan.bright_fixture[i]].name: int(i) for i in held.tolist()}

    def describe_glare(self, ctx: RuleContext, name: Any) -> Finding:
        stage = self._stage(ctx)
        fixture = self._fixture(name)
        if fixture is None:
            return _gone(name)
        place = int(np.searchsorted(stage.plan.bright_fixture, self._numbers[name]))
        since_ns = int(self._glare_ns[place]) or ctx.now_ns
        return Finding(
            group=f"glare:{fixture.universe}",
            since_ns=since_ns,
            universes=_rows(stage, fixture),
            fixtures=(name,),
            facts={"fixtures": _said(fixture), "held": str((ctx.now_ns - since_ns) // SECOND_NS)},
            evidence=(f"Its brightest slot stands at {int(stage.brightness[place])} of 255. {NOT_SEEN}",),
        )


def _said(fixture: Fixture) -> str:
    return f"{fixture.label} ({fixture.name})" if fixture.label and fixture.label != fixture.name else fixture.name


def _level(stage: Stage, fixture: Fixture, slot: int) -> int:
    """Level of a slot (from 1) on the fixture's universe."""
    levels = stage.levels.universe(stage.plan.declared.get(fixture.universe)) if stage.levels else None
    return 0 if levels is None else int(levels[slot - 1])


def _rows(stage: Stage, fixture: Fixture) -> tuple[int, ...]:
    declared = stage.plan.declared.get(fixture.universe)
    if stage.levels is None or declared is None or stage.levels.row[declared] < 0:
        return ()
    return (int(stage.levels.row[declared]),)


def _changed_ns(ctx: RuleContext, stage: Stage, declared: NDArray[np.intp], before_ns: int) -> NDArray[np.int64]:
    """When the universes (by their place in the house) last changed, after an earlier look and not after now."""
    assert stage.levels is not None
    rows = stage.levels.row[declared]
    changed_ns = np.where(rows >= 0, ctx.universes.last_change_ns[np.maximum(rows, 0)], ctx.now_ns)
    return np.clip(changed_ns, before_ns, ctx.now_ns)


def _gone(name: str) -> Finding:
    """A case whose fixture another house file no longer has: it closes by itself."""
    return Finding(group=f"gone:{name}", since_ns=0, facts={"fixtures": name}, fixtures=(name,))
