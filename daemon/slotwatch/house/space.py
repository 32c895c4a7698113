"""Which slots of a universe are used, which are free, and where a fixture of some footprint would fit."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.wire.universe import SLOTS, UniverseId


@dataclass(frozen=True, slots=True)
class Space:
    """One universe's slots."""

    universe: UniverseId
    label: str
    fixtures: int
    used: int
    """Slots that a fixture or a rack's way answers to."""
    free: tuple[tuple[int, int], ...]
    """First and last slot of every free run."""
    unsized: int
    """Fixtures whose number of slots is not known: some of what is free may be theirs."""


def used_slots(house: House) -> dict[UniverseId, NDArray[np.bool_]]:
    """For every universe that is declared or patched: which slots (index 0 is slot 1) are in use."""
    used = {universe.id: np.zeros(SLOTS, bool) for universe in house.universes}
    for fixture in house.fixtures:
        slots = used.get(fixture.universe)
        if slots is None:
            slots = used[fixture.universe] = np.zeros(SLOTS, bool)
        slots[fixture.address - 1 : fixture.last_slot] = True
    for rack in house.racks:
        slots = used.setdefault(rack.universe, np.zeros(SLOTS, bool))
        slots[rack.address - 1 : rack.address - 1 + rack.ways] = True
    return used


def spaces(house: House) -> list[Space]:
    """Every declared or patched universe, in the order of the house."""
    labels = {universe.id: universe.label for universe in house.universes}
    counts = Counter(fixture.universe for fixture in house.fixtures)
    unsized = Counter(fixture.universe for fixture in house.fixtures if not fixture.is_size_known)
    return [
        Space(
            universe,
            labels.get(universe, ""),
            counts[universe],
            int(slots.sum()),
            free_runs(slots),
            unsized[universe],
        )
        for universe, slots in used_slots(house).items()
    ]


def free_runs(used: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """First and last slot (from 1) of every run of slots that nothing answers to."""
    edges = np.flatnonzero(np.diff(np.concatenate(([True], used, [True])).astype(np.int8)))
    return tuple((int(first) + 1, int(end)) for first, end in edges.reshape(-1, 2))


def find_addresses(
    house: House, footprint: int, count: int = 1, only: UniverseId | None = None
) -> list[tuple[UniverseId, int]]:
    """The first free addresses for `count` fixtures of this footprint, in the order of the house.

    Fewer than `count` where the house is full. ValueError if no universe could hold it.
    """
    if not 1 <= footprint <= SLOTS:
        raise ValueError(f"a footprint from 1 to {SLOTS} is expected")
    found: list[tuple[UniverseId, int]] = []
    for space in spaces(house):
        if only is not None and space.universe != only:
            continue
        for first, last in space.free:
            starts = range(first, last - footprint + 2, footprint)
            found += [(space.universe, start) for start in starts[: count - len(found)]]
            if len(found) >= count:
                return found
    return found
