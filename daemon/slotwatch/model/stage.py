"""What the levels tell the stage to do: fixtures, racks, rig check and hours, moved on every 100 ms.

Commanded, not seen lit. Each part runs as often as it needs to and no oftener, so that 20,000 fixtures cost
little beside their packets.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.model.flashes import Flashes, Pairs
from slotwatch.model.hours import Counted, Hours
from slotwatch.model.lightplan import Integers, LightPlan, SlotList
from slotwatch.model.lighttap import LightTap, Watched
from slotwatch.model.loads import Loads
from slotwatch.model.rigcheck import RigCheck

SECOND_NS = 1_000_000_000
LOOK_NS = 200_000_000
SLOTS = 512
SAMPLED_LIGHTS = 6
"""Lights of each universe that are watched frame by frame for groups in step."""
SAMPLED_PAIRS = 2
MAX_AUDIENCE_SLOTS = 64
"""Watched audience-facing slots of one fixture: a strip of more is sampled evenly."""
MAX_HOURS_FIXTURES = 1000
"""Of a larger patch hours are kept by circuit alone: they are rows of the history, every minute, for years."""


class Levels:
    """Winning levels of one moment, read by declared universe."""

    def __init__(self, model: Any, universes: int) -> None:
        table = model.universes
        rows = np.flatnonzero(table.used[: table.top] & (table.declared[: table.top] >= 0))
        self.row = np.full(universes + 1, -1, np.intp)
        # Of the networks that a universe is expected on, the first one that is alive speaks for it.
        for live_first in (rows[table.live[rows] == 0][::-1], rows[table.live[rows] > 0][::-1]):
            self.row[table.declared[live_first]] = live_first
        self.row[universes] = -1
        self.live: NDArray[np.bool_] = (self.row >= 0) & (table.live[np.maximum(self.row, 0)] > 0)
        self._levels = model.levels
        self._flat = self._levels.reshape(-1)

    def of(self, slots: SlotList) -> NDArray[np.uint8]:
        """Level of each slot; 0 where its universe is not live."""
        return self.at(slots.declared, slots.slot)

    def at(self, declared: Integers, slot: Integers) -> NDArray[np.uint8]:
        if not len(slot) or not len(self._flat):
            return np.zeros(len(slot), np.uint8)
        found: NDArray[np.uint8] = self._flat[np.maximum(self.row[declared], 0) * SLOTS + slot]
        return found * self.live[declared]

    def known(self, slots: SlotList) -> NDArray[np.bool_]:
        found: NDArray[np.bool_] = self.live[slots.declared]
        return found

    def universe(self, declared: int | None) -> NDArray[np.uint8] | None:
        """All 512 levels of a universe; None where it is not live."""
        if declared is None or not self.live[declared]:
            return None
        found: NDArray[np.uint8] = self._levels[self.row[declared]]
        return found


class Stage:
    """All of it for one house. `advance` is called by the model when its time has moved."""

    def __init__(self, house: House) -> None:
        self.rig_check: RigCheck | None = None
        self._looked = -1
        self._house(house)

    def _house(self, house: House) -> None:
        self.house = house
        self.plan = LightPlan(house)
        self.loads = Loads(house)
        self.hours = Hours(self._counted())
        self.watched = self._watch()
        self.tap = LightTap(self.watched) if len(self.watched) else None
        self.flashes = Flashes(len(self.watched))
        self.pairs = Pairs(
            np.array([a for a, _ in self._watched_pairs], np.int64),
            np.array([b for _, b in self._watched_pairs], np.int64),
        )
        self.brightness = np.zeros(len(self.plan.bright_fixture), np.uint8)
        self.known = np.zeros(len(self.plan.bright_fixture), np.bool_)
        self.levels: Levels | None = None
        self.active = bool(house.fixtures or house.racks)

    def take_house(self, house: House) -> None:
        """Take a new declaration; hours, worst currents and a running rig check go on."""
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
        if self.tap is not None:
            tapped = self.tap.drain()
            if tapped is not None:
                lights = self._is_light[tapped[0]]
                self.flashes.take(tapped[0][lights], tapped[1][lights], tapped[2][lights])
                self.pairs.take(*tapped)
        look = now_ns // LOOK_NS
        if look == self._looked:
            return
        whole_second = look * LOOK_NS // SECOND_NS != self._looked * LOOK_NS // SECOND_NS
        self._looked = look
        levels = self.levels = Levels(model, len(self.house.universes))
        checking = self.rig_check is not None and self.rig_check.running
        if (checking or whole_second) and len(self.plan.bright):
            self.brightness = np.maximum.reduceat(levels.of(self.plan.bright), self.plan.bright_starts)
            self.known = levels.live[self.plan.bright.declared[self.plan.bright_starts]]
        if checking and self.rig_check is not None:
            self.rig_check.look(self.brightness, self.known, now_ns)
        if whole_second:
            for rack in self.loads.racks:
                rack.estimate(levels.universe(self.plan.declared.get(rack.universe)))
            self._count_hours(levels, now_ns)

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
        """Begin anew. ValueError if nothing is patched that could be checked."""
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

    def _watch(self) -> Watched:
        """Slots that are watched frame by frame, and what for."""
        plan, fixtures = self.plan, self.house.fixtures
        ends = np.append(plan.bright_starts, len(plan.bright))[1:]
        self.audience: list[tuple[int, list[tuple[int, int]]]] = []
        """(fixture, places) of what faces the audience."""
        self.groups: dict[int, list[tuple[int, int]]] = {}
        """Declared universe: places of one slot each of a few of its fixtures, spread over the universe."""
        of_universe: dict[int, list[tuple[int, int]]] = {}
        for start, end in zip(plan.bright_starts.tolist(), ends.tolist(), strict=True):
            number = int(plan.bright.fixture[start])
            universe = int(plan.bright.declared[start])
            if fixtures[number].faces_audience:
                step = -(-(end - start) // MAX_AUDIENCE_SLOTS)
                self.audience.append((number, [(universe, int(s)) for s in plan.bright.slot[start:end:step]]))
            of_universe.setdefault(universe, []).append((universe, int(plan.bright.slot[start])))
        for universe, places in of_universe.items():
            if len(places) >= SAMPLED_LIGHTS:
                self.groups[universe] = places[:: len(places) // SAMPLED_LIGHTS][:SAMPLED_LIGHTS]
        pairs: dict[int, list[tuple[tuple[int, int], tuple[int, int], int]]] = {}
        for universe, slot, number, fine in zip(
            plan.coarse.declared.tolist(),
            plan.coarse.slot.tolist(),
            plan.coarse.fixture.tolist(),
            plan.fine.tolist(),
            strict=True,
        ):
            if len(held := pairs.setdefault(universe, [])) < SAMPLED_PAIRS:
                held.append(((universe, slot), (universe, fine), number))
        every = [pair for held in pairs.values() for pair in held]
        lights = [place for _, several in self.audience for place in several]
        lights += [place for several in self.groups.values() for place in several]
        places = [place for coarse, fine_place, _ in every for place in (coarse, fine_place)]
        watched = Watched([*lights, *places], len(self.house.universes))
        self._is_light = np.zeros(len(watched), np.bool_)
        self._is_light[[watched.index[place] for place in lights]] = True
        self._watched_pairs = [(watched.index[a], watched.index[b]) for a, b, _ in every]
        self.pair_fixtures = [number for _, _, number in every]
        return watched
