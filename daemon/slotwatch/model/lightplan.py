"""The patch as arrays: which slot of which universe row is whose intensity, colour, pan, control or power.

Built once for a house, so that judging 20,000 fixtures is a handful of array look-ups.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.racks import wiring
from slotwatch.house.schema import Circuit, Fixture, House
from slotwatch.wire.universe import SLOTS, UniverseId

Integers = NDArray[np.int64]

COLOURS = frozenset(
    ("red", "green", "blue", "white", "amber", "lime", "warm-white", "cool-white", "ultraviolet", "cyan-add")
)
"""Roles that give light by themselves. Cyan, magenta and yellow filter it, so they are none."""


class SlotList:
    """Slots of one kind: declared universe, slot index and fixture of each."""

    def __init__(self, rows: Iterable[tuple[int, int, int]]) -> None:
        table = np.array(list(rows), np.int64).reshape(-1, 3)
        self.declared: Integers = table[:, 0]
        self.slot: Integers = table[:, 1]
        self.fixture: Integers = table[:, 2]

    def __len__(self) -> int:
        return len(self.slot)


class LightPlan:
    """Slots of a house by what they do. Fixtures on universes that are not declared are not judged."""

    def __init__(self, house: House) -> None:
        self.house = house
        self.fixtures: tuple[Fixture, ...] = house.fixtures
        self.declared = {universe.id: index for index, universe in enumerate(house.universes)}
        self.number_of: dict[str, int] = {}
        """Place of each fixture, by its name; of several parts the first."""
        for number, fixture in enumerate(self.fixtures):
            self.number_of.setdefault(fixture.name, number)
        self.circuits: dict[str, Circuit] = {circuit.name: circuit for circuit in house.circuits}
        non_dim: list[tuple[int, int, int]] = []
        control: list[tuple[int, int, int]] = []
        bright: list[tuple[int, int, int]] = []
        pairs: list[tuple[int, int, int, int]] = []
        parts = _Parts()
        for number, fixture in enumerate(self.fixtures):
            index = self.declared.get(fixture.universe)
            if index is None:
                continue
            first = fixture.address - 1
            known = parts.of(fixture.slots)
            room = SLOTS - first
            non_dim += [(index, first + at, number) for at in known.non_dim if at < room]
            control += [(index, first + at, number) for at in known.control if at < room]
            bright += [(index, first + at, number) for at in known.bright if at < room]
            pairs += [(index, first + a, number, first + b) for a, b in known.pairs if max(a, b) < room]
        self.non_dim = SlotList(non_dim)
        self.control = SlotList(control)
        self.bright = SlotList(bright)
        self.bright_starts = (
            np.flatnonzero(np.diff(self.bright.fixture, prepend=-1)) if bright else np.zeros(0, np.intp)
        )
        self.bright_fixture: Integers = self.bright.fixture[self.bright_starts]
        """Fixtures that give light, in order; `brightness` has one value for each."""
        self.coarse = SlotList((d, s, f) for d, s, f, _ in pairs)
        self.fine: Integers = np.array([fine for _, _, _, fine in pairs], np.int64)
        self._power_slots = _power_slots(house, self.declared)
        self.power = SlotList(self._powered())

    def _powered(self) -> Iterable[tuple[int, int, int]]:
        """Slot of the way that feeds each fixture that is driven from elsewhere (not by that slot itself)."""
        for number in self.bright_fixture.tolist():
            fixture = self.fixtures[number]
            place = self._power_slots.get(fixture.circuit)
            if place is None:
                continue
            own = self.declared.get(fixture.universe) == place[0]
            if not (own and fixture.address - 1 <= place[1] <= fixture.last_slot - 1):
                yield place[0], place[1], number

    def way_of_slot(self, universe: UniverseId, slot: int) -> tuple[str, int, Circuit | None] | None:
        """Rack, way and circuit that a slot (from 1) drives; None if no rack answers to it."""
        for rack in self.house.racks:
            if rack.universe == universe and rack.address <= slot < rack.address + rack.ways:
                way = slot - rack.address + 1
                circuit = next((c for c in self.house.circuits if (c.rack, c.way) == (rack.name, way)), None)
                return rack.name, way, circuit
        return None


class _Known:
    """Which places of a list of roles do what."""

    def __init__(self, slots: tuple[str, ...]) -> None:
        self.non_dim = [at for at, role in enumerate(slots) if role == "non-dim"]
        self.control = [at for at, role in enumerate(slots) if role == "control"]
        lights = [at for at, role in enumerate(slots) if role == "intensity"]
        self.bright = lights or [at for at, role in enumerate(slots) if role in COLOURS]
        # A bare footprint of one slot on a rack is a dimmer; longer ones are not guessed.
        if not self.bright and slots == ("",):
            self.bright = [0]
        self.pairs = [
            (at, slots.index(f"{role}-fine"))
            for at, role in enumerate(slots)
            if role in ("pan", "tilt") and f"{role}-fine" in slots
        ]


class _Parts:
    """Places by roles, worked out once for each profile."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, ...], _Known] = {}

    def of(self, slots: tuple[str, ...]) -> _Known:
        found = self._known.get(slots)
        if found is None:
            found = self._known[slots] = _Known(slots)
        return found


def _power_slots(house: House, declared: dict[UniverseId, int]) -> dict[str, tuple[int, int]]:
    """(declared universe, slot index) of the switched way of each circuit that a slot can turn off."""
    found: dict[str, tuple[int, int]] = {}
    for wired in wiring(house):
        index = declared.get(wired.rack.universe)
        for way in wired.ways:
            if index is not None and way.module == "switched" and way.circuit:
                for name in way.circuit.split(", "):
                    found[name] = (index, way.slot - 1)
    return found
