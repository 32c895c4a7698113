"""The patch as slots: which are used on each declared universe, up to where, and which fixtures lie there.

A way of a rack that feeds a circuit uses its slot too, whether a fixture is patched there or not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.racks import wiring
from slotwatch.house.schema import Fixture, House
from slotwatch.wire.universe import SLOTS, UniverseId

ALL_BITS = 0xFF
"""All eight bits of a slot."""


def slot_bits(slots: NDArray[np.bool_]) -> NDArray[np.uint64]:
    """Give (…, 512) slots as (…, 8) words of a bit each."""
    return np.packbits(slots, axis=-1).view(np.uint64)


class PatchedSlots:
    """Shared by the rules that compare a universe with its patch; see `RuleSetup.shared`."""

    def __init__(self, house: House) -> None:
        index = {universe.id: number for number, universe in enumerate(house.universes)}
        used: NDArray[np.bool_] = np.zeros((len(house.universes) + 1, SLOTS), np.bool_)
        self.needed = np.zeros(len(house.universes) + 1, np.int64)
        """(D + 1,) last slot that some fixture uses."""
        self._fixtures: dict[UniverseId, list[Fixture]] = {}
        for fixture in house.fixtures:
            self._fixtures.setdefault(fixture.universe, []).append(fixture)
            number = index.get(fixture.universe)
            if number is not None and fixture.address <= SLOTS:
                last = min(SLOTS, fixture.last_slot)
                used[number, fixture.address - 1 : last] = True
                self.needed[number] = max(self.needed[number], last)

        for wired in wiring(house):
            number = index.get(wired.rack.universe)
            fed = [way.slot - 1 for way in wired.ways if way.circuit and way.slot <= SLOTS]
            if number is not None:
                used[number, fed] = True

        self.unused: NDArray[np.uint64] = np.where(used, 0, ALL_BITS).astype(np.uint8).view(np.uint64)
        """(D + 1, 64) by the universe's place in the house, words of eight slots; all bits in those that nothing uses.
        The last row has no patch."""
        self.bits: NDArray[np.uint64] = slot_bits(used[:-1])
        """(D, 8) the same of each declared universe, as bits."""
        self.size: NDArray[np.int64] = used[:-1].sum(1)
        """(D,) how many slots are used."""

    def used(self, universe: int) -> NDArray[np.bool_]:
        """(512,) slots in use on a universe, by its place in the house."""
        used: NDArray[np.bool_] = self.unused[universe].view(np.uint8) == 0
        return used

    def count_used(self, slots: NDArray[np.bool_], universes: NDArray[np.intp]) -> NDArray[np.int64]:
        """(N,) how many of these slots, (512,), each of these declared universes uses."""
        counts: NDArray[np.int64] = np.bitwise_count(self.bits[universes] & slot_bits(slots)).sum(1, dtype=np.int64)
        return counts

    def fixtures_on(self, universe: UniverseId) -> list[Fixture]:
        """Give the fixtures of a universe, in the order of the patch."""
        return self._fixtures.get(universe, [])
