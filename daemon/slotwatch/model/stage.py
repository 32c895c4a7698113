"""What the levels command on stage: fixtures, racks, rig check and hours, updated every 100 ms. It says what is
commanded, not what gives light. Each part runs only as often as it needs to, so that 20,000 fixtures cost little beside
their packets.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import House
from slotwatch.model.flashes import CompiledFlashes, Flashes, PairLevels
from slotwatch.model.hours import Counted, Hours
from slotwatch.model.lightplan import LightPlan, SlotList
from slotwatch.model.lighttap import LightTap, Watch
from slotwatch.model.loads import Loads
from slotwatch.model.rigcheck import RigCheck
from slotwatch.model.winning import Levels

LOOK_NS = 100_000_000
TURN_NS = 100_000_000
SAMPLED_LIGHTS = 4
"""Lights of each universe that are watched frame by frame for groups in step."""
SAMPLED_PAIRS = 1
MAX_AUDIENCE_SLOTS = 64
"""Watched audience-facing slots of one fixture: a strip of more is sampled evenly."""
MAX_HOURS_FIXTURES = 1000
"""For a larger patch, hours are kept by circuit only: they are rows of the history, every minute, for years."""


def _patch_of(house: House) -> tuple[object, ...]:
    """All that a stage is made of."""
    universes = tuple(universe.id for universe in house.universes)
    return universes, house.fixtures, house.racks, house.circuits, house.profiles


class Stage:
    """All of it for one house. `advance` is called by the model when its time has moved."""

    def __init__(self, house: House, compiled: CompiledFlashes | None = None) -> None:
        """compiled: follows watched slots where it is there."""
        self._compiled = compiled
        self.rig_check: RigCheck | None = None
        self._looked = self._turned = -1
        self._house(house)

    def _house(self, house: House) -> None:
        self.house = house
        self.plan = LightPlan(house)
        self.loads = Loads(house)
        self.hours = Hours(self._counted())
        self._watch()
        tap = LightTap((self.audience_watch, self.sample_watch))
        self.tap = tap if tap.watches else None
        """None where no frame needs to be looked at."""
        self.audience_flashes = Flashes(len(self.audience_watch), 1, self._compiled)
        self.group_flashes = Flashes(len(self.sample_watch), SAMPLED_LIGHTS, self._compiled)
        self.pairs = PairLevels(len(self.sample_watch), SAMPLED_PAIRS, self._compiled)
        self.brightness = np.zeros(len(self.plan.bright_fixture), np.uint8)
        self.known = np.zeros(len(self.plan.bright_fixture), np.bool_)
        self.levels: Levels | None = None
        self.active = bool(house.fixtures or house.racks)

    def take_house(self, house: House) -> None:
        """Take a new declaration; hours, worst currents and a running rig check continue."""
        if _patch_of(house) == _patch_of(self.house):
            self.house = house
            return
        hours, loads = self.hours, self.loads
        self._house(house)
        self.hours.take_over(hours)
        self.loads.keep_worst(loads)
        if self.rig_check is not None:
            self.rig_check.take_plan(self.plan)

    # --- time -------------------------------------------------------------------------------------------

    def advance(self, model: Any, now_ns: int) -> None:
        """Bring everything up to now. Cheap when called often."""
        if not self.active:
            return
        tenth = now_ns // TURN_NS
        if tenth != self._turned:
            self._turned = tenth
            self._turn()
        look = now_ns // LOOK_NS
        if look == self._looked:
            return
        whole_second = look * LOOK_NS // NANOSECONDS != self._looked * LOOK_NS // NANOSECONDS
        self._looked = look
        is_first = self.levels is None
        levels = self.levels = Levels(model, len(self.house.universes))
        checking = self.rig_check is not None and self.rig_check.running
        if (checking or whole_second or is_first or len(self.plan.power)) and len(self.plan.bright):
            self.brightness = np.maximum.reduceat(levels.of(self.plan.bright), self.plan.bright_starts)
            self.known = levels.live[self.plan.bright.declared[self.plan.bright_starts]]
        if checking and self.rig_check is not None:
            self.rig_check.look(self.brightness, self.known, now_ns)
        for rack in self.loads.racks:
            rack.estimate(levels.universe(self.plan.declared.get(rack.universe)))
        if whole_second:
            self._count_hours(levels, now_ns)

    def _turn(self) -> None:
        """Work on the frames that were tapped."""
        in_order = self._compiled is None
        frames = self.audience_watch.drain(in_order=in_order)
        if frames is not None:
            self.audience_flashes.take(*frames)
        frames = self.sample_watch.drain(in_order=in_order)
        if frames is not None:
            row, t_ns, levels = frames
            self.group_flashes.take(row, t_ns, levels[:, :SAMPLED_LIGHTS])
            self.pairs.take(row, t_ns, levels[:, SAMPLED_LIGHTS:])
        if self.tap is not None:
            self.tap.turn()

    def _count_hours(self, levels: Levels, now_ns: int) -> None:
        if not self.hours.things:
            return
        of_circuits = levels.of(self._circuit_slots)
        of_circuits[self._always_on] = 255
        known = levels.known(self._circuit_slots) | self._always_on
        fixtures = len(self.hours.things) - len(of_circuits)
        all_levels = np.concatenate((of_circuits, self.brightness[:fixtures]))
        self.hours.look(all_levels, np.concatenate((known, self.known[:fixtures])), now_ns)

    # --- rig check and hours -----------------------------------------------------------------------------

    def start_rig_check(self, now_ns: int) -> RigCheck:
        """Begin again. ValueError if nothing is patched that could be checked."""
        if not len(self.plan.bright_fixture):
            raise ValueError("no fixture with an intensity is patched, so there is nothing to check")
        self.rig_check = RigCheck(self.plan, now_ns)
        return self.rig_check

    # --- what is watched and counted ----------------------------------------------------------------------

    def _counted(self) -> list[Counted]:
        """Circuits first (those on a declared rack), then fixtures in the order of `bright_fixture`."""
        places: list[tuple[int, int, int]] = []
        counted: list[Counted] = []
        always_on: list[bool] = []
        racks = {rack.name: rack for rack in self.house.racks}
        for number, circuit in enumerate(self.house.circuits):
            rack = racks.get(circuit.rack)
            declared = None if rack is None else self.plan.declared.get(rack.universe)
            if rack is not None and declared is not None and circuit.way <= rack.ways:
                places.append((declared, rack.address + circuit.way - 2, number))
                counted.append(Counted("circuit", circuit.name, circuit.rated_life_h))
                always_on.append(circuit.module == "unswitched")
        self._circuit_slots = SlotList(places)
        self._always_on = np.array(always_on, np.bool_)
        if len(self.plan.bright_fixture) <= MAX_HOURS_FIXTURES:
            counted += [Counted("fixture", self.house.fixtures[n].name) for n in self.plan.bright_fixture.tolist()]
        return counted

    def _watch(self) -> None:
        """Choose the slots that are watched frame by frame."""
        plan, fixtures, universes = self.plan, self.house.fixtures, len(self.house.universes)
        ends = np.append(plan.bright_starts, len(plan.bright))[1:]
        audience: list[tuple[int, list[int]]] = []
        watched: list[tuple[int, int]] = []
        of_universe: dict[int, list[int]] = {}
        for start, end in zip(plan.bright_starts.tolist(), ends.tolist(), strict=True):
            number, universe = int(plan.bright.fixture[start]), int(plan.bright.declared[start])
            slots = plan.bright.slot[start:end].tolist()
            if fixtures[number].faces_audience:
                kept = slots[:: -(-len(slots) // MAX_AUDIENCE_SLOTS)]
                audience += [(universe, [slot]) for slot in kept]
                watched += [(universe, number)] * len(kept)
            of_universe.setdefault(universe, []).append(slots[0])
        self.audience_fixture = [number for _, number in sorted(watched, key=lambda one: one[0])]
        """Fixture of each row of `audience_watch`."""
        groups = {
            universe: slots[:: len(slots) // SAMPLED_LIGHTS][:SAMPLED_LIGHTS]
            for universe, slots in of_universe.items()
            if len(slots) >= SAMPLED_LIGHTS
        }
        pairs: dict[int, list[tuple[int, int, int]]] = {}
        columns = (plan.coarse.declared, plan.coarse.slot, plan.fine, plan.coarse.fixture)
        for universe, coarse, fine, number in zip(*(column.tolist() for column in columns), strict=True):
            if len(held := pairs.setdefault(universe, [])) < SAMPLED_PAIRS:
                held.append((coarse, fine, number))
        self.sample_watch = Watch(
            [(u, _sampled(groups.get(u), pairs.get(u))) for u in sorted(groups.keys() | pairs.keys())],
            universes,
            SAMPLED_LIGHTS + 2 * SAMPLED_PAIRS,
        )
        sampled = self.sample_watch.universe.tolist()
        self.has_group = np.array([universe in groups for universe in sampled], np.bool_)
        self.pair_fixtures = [[number for _, _, number in pairs.get(universe, ())] for universe in sampled]
        """Fixtures of the watched pairs of each row of `sample_watch`."""
        self.audience_watch = Watch(audience, universes, 1)


def _sampled(lights: list[int] | None, pairs: list[tuple[int, int, int]] | None) -> list[int]:
    """Slots of one row: the sampled lights, all coarse slots, all fine ones. What there is none of is slot 0."""
    held = [*(pairs or ())]
    held += [(0, 0, -1)] * (SAMPLED_PAIRS - len(held))
    return [*(lights or [0] * SAMPLED_LIGHTS), *(coarse for coarse, _, _ in held), *(fine for _, fine, _ in held)]
