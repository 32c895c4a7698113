"""Reference levels: a house's levels at one moment, by fixture and role, kept for later comparison.

Levels are kept by fixture, so a fixture that the patch moved since is compared where it is now. A universe on which
nothing is patched is kept as one thing with that universe's slots.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.wire.universe import SLOTS

MOVING_SHARE = 0.05
"""What changes by more of full scale around the moment is moving, and is not compared."""
EXCLUDED_ROLES = frozenset({"control", "strobe"})
FINE = "-fine"

Levels = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class UniverseLevels:
    """One universe at one moment."""

    levels: Levels
    """(512,)"""
    slots: int
    """How many slots its frames hold."""
    moving: NDArray[np.bool_]
    """(512,) slots that changed by more than MOVING_SHARE around the moment."""


@dataclass(frozen=True, slots=True)
class KeptFixture:
    """A fixture as it was patched at the moment."""

    name: str
    universe: str
    address: int
    slots: tuple[str, ...]
    label: str = ""
    profile: str = ""
    position: str = ""
    rack: str = ""
    is_universe: bool = False
    """Marks a universe on which nothing was patched."""

    @property
    def last_slot(self) -> int:
        return self.address + len(self.slots) - 1


@dataclass(frozen=True, slots=True)
class Reference:
    """Levels under a name. `universes` by their name without network, such as `e131/12`."""

    name: str
    at_wall_ns: int
    by: str
    fixtures: tuple[KeptFixture, ...]
    universes: Mapping[str, UniverseLevels]
    left_out: tuple[str, ...] = ()
    """Declared universes that did not arrive at the moment."""

    def levels_of(self, fixture: KeptFixture) -> Levels:
        """The levels of a fixture's slots; those that its frames do not hold are 0."""
        return self.universes[fixture.universe].levels[fixture.address - 1 : fixture.last_slot]


@dataclass(frozen=True, slots=True)
class RoleSlots:
    """One thing of a fixture that has a level: a slot, or a 16-bit pair of two."""

    role: str
    coarse: int
    """Offset from the fixture's address."""
    fine: int
    """Offset of the pair's second slot; -1 for a channel of 8 bits."""


@lru_cache(maxsize=4096)
def channels_of(slots: tuple[str, ...]) -> tuple[RoleSlots, ...]:
    """Give what is compared of a fixture with these roles: pairs as pairs; control and strobe left out.

    A role that occurs several times (cells) has its pairs in the order of the slots. A third and fourth byte
    of a channel are left out: they are under 0.002 % of full scale.
    """
    fines: dict[str, list[int]] = {}
    coarse_count: dict[str, int] = {}
    for at, role in enumerate(slots):
        if role.endswith(FINE):
            fines.setdefault(role[: -len(FINE)], []).append(at)
        else:
            coarse_count[role] = coarse_count.get(role, 0) + 1
    found: list[RoleSlots] = []
    seen: dict[str, int] = {}
    for at, role in enumerate(slots):
        base = role.partition(FINE)[0]
        if base in EXCLUDED_ROLES or (base != role and (base in coarse_count or not role.endswith(FINE))):
            continue
        nth = seen[role] = seen.get(role, 0) + 1
        pairs = fines.get(role, [])
        name = role or f"slot {at + 1}"
        if role and coarse_count.get(role, 0) > 1:
            name = f"{role} {nth}"
        found.append(RoleSlots(name, at, pairs[nth - 1] if role and nth <= len(pairs) else -1))
    return tuple(found)


def patched(house: House, live: Mapping[str, UniverseLevels]) -> tuple[KeptFixture, ...]:
    """The house's fixtures as they are patched, and each universe that arrives and has none as one thing."""
    racks = {circuit.name: circuit.rack for circuit in house.circuits}
    fixtures = [
        KeptFixture(
            one.name,
            str(one.universe),
            one.address,
            one.slots,
            one.label,
            one.profile,
            one.position,
            racks.get(one.circuit, ""),
        )
        for one in house.fixtures
    ]
    used = {one.universe for one in fixtures}
    labels = {str(one.id): one.label for one in house.universes}
    return (
        *fixtures,
        *(
            KeptFixture(name, name, 1, ("",) * held.slots, labels.get(name, ""), is_universe=True)
            for name, held in live.items()
            if name not in used and held.slots
        ),
    )


def keep(
    name: str,
    at_wall_ns: int,
    by: str,
    house: House,
    live: Mapping[str, UniverseLevels],
    chosen: Iterable[Iterable[str]] = ((), (), ()),
) -> Reference:
    """Make a reference of what arrives now.

    chosen: universes, racks, positions; a fixture is kept if it is in any of them. All empty: the whole house.
    ValueError with a sentence if nothing is left to keep.
    """
    universes, racks, positions = (set(names) for names in chosen)
    fixtures = [one for one in patched(house, live) if one.last_slot <= SLOTS]
    if universes or racks or positions:
        fixtures = [
            one
            for one in fixtures
            if one.universe in universes or (one.rack and one.rack in racks) or (one.position in positions - {""})
        ]
        if not fixtures:
            raise ValueError("no fixture is on these universes, racks or positions")
    silent = dict.fromkeys(one.universe for one in fixtures if one.universe not in live)
    fixtures = [one for one in fixtures if one.universe in live]
    if not fixtures:
        raise ValueError("no levels arrive that could be kept")
    kept = {one.universe: live[one.universe] for one in fixtures}
    return Reference(name, at_wall_ns, by, tuple(fixtures), kept, tuple(silent))
