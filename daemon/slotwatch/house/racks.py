"""Racks as they are wired: which supply line feeds which way, and what each would draw at full.

Every figure is an estimate from what is declared, not a measurement; the electrician responsible and the
local code decide.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

from slotwatch.house.schema import Circuit, House, Rack

NOTE = "An estimate, not a measurement; the electrician responsible and the local code decide."
ELECTRONIC_POWER_FACTOR = 0.9
"""For LED and moving fixtures, whose load their profile declares (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way of a rack with what it feeds."""

    number: int
    supply: int
    """Supply line, from 1."""
    slot: int
    """Slot of the rack's universe, from 1."""
    limit_a: float
    circuit: str = ""
    module: str = "dimmer"
    curve: str = "linear"
    full_a: float = 0.0
    """Current of everything on it at full: P / (V * power factor)."""
    load_w: float = 0.0


@dataclass(frozen=True, slots=True)
class RackWiring:
    """One rack with all of its ways."""

    rack: Rack
    ways: tuple[Way, ...]

    def supply_full_a(self, supply: int) -> float:
        """Nameplate current of a supply line: the sum of its ways at full."""
        return sum(way.full_a for way in self.ways if way.supply == supply)


def supply_of(rack: Rack, way: int) -> int:
    """Supply line (from 1) of a way (from 1): in turn 1 2 3 1 2 3, in blocks, or as the list says."""
    if isinstance(rack.order, tuple):
        return rack.order[way - 1]
    if rack.order == "blocks":
        return (way - 1) // math.ceil(rack.ways / rack.supplies) + 1
    return (way - 1) % rack.supplies + 1


def current_a(load_w: float, volts: float, power_factor: float = 1.0) -> float:
    """I = P / (V * power factor)."""
    return load_w / (volts * power_factor)


def three_phase_current_a(load_w: float, line_volts: float, power_factor: float = 1.0) -> float:
    """I = P / (sqrt(3) * line-to-line volts * power factor) of a balanced three-phase load."""
    return load_w / (math.sqrt(3.0) * line_volts * power_factor)


def supply_capacity_va(volts: float, amperes: float, supplies: int = 3) -> float:
    """What supply lines carry together at their limit: supplies * V * I, V line to neutral."""
    return supplies * volts * amperes


def wiring(house: House) -> tuple[RackWiring, ...]:
    """Every rack with its ways, in the order of the house."""
    declared_w = _profile_loads(house)
    by_way: dict[tuple[str, int], list[Circuit]] = defaultdict(list)
    for circuit in house.circuits:
        by_way[(circuit.rack, circuit.way)].append(circuit)
    return tuple(
        RackWiring(
            rack,
            tuple(
                _way(rack, number, by_way.get((rack.name, number), []), declared_w)
                for number in range(1, rack.ways + 1)
            ),
        )
        for rack in house.racks
    )


def _way(rack: Rack, number: int, circuits: list[Circuit], declared_w: dict[str, float]) -> Way:
    """A way; where a fault of the list puts two circuits on it, both loads count."""
    supply, slot = supply_of(rack, number), rack.address + number - 1
    if not circuits:
        return Way(number, supply, slot, rack.way_limit_a)
    first = circuits[0]
    full_a = load_w = 0.0
    for circuit in circuits:
        if circuit.load_w:
            load_w += circuit.load_w
            full_a += current_a(circuit.load_w, rack.volts)
        else:
            load_w += declared_w.get(circuit.name, 0.0)
            full_a += current_a(declared_w.get(circuit.name, 0.0), rack.volts, ELECTRONIC_POWER_FACTOR)
    return Way(
        number,
        supply,
        slot,
        first.limit_a if first.limit_a is not None else rack.way_limit_a,
        ", ".join(circuit.name for circuit in circuits),
        first.module,
        first.curve if first.module == "dimmer" else first.module,
        full_a,
        load_w,
    )


def _profile_loads(house: House) -> dict[str, float]:
    """Sum of what the profiles of the fixtures on each circuit declare, for circuits with no load of their own."""
    of_profile = {profile.name: profile.load_w for profile in house.profiles if profile.load_w}
    loads: dict[str, float] = defaultdict(float)
    for fixture in house.fixtures:
        if fixture.circuit and fixture.profile in of_profile:
            loads[fixture.circuit] += of_profile[fixture.profile] or 0.0
    return loads
