"""The patch as slots: which are used on each declared universe, up to where, and which fixtures lie there.

A way of a rack that feeds a circuit uses its slot too, whether a fixture is patched there or not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.racks import wiring
from slotwatch.house.schema import Fixture, House
from slotwatch.judge.context import RuleContext
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

        self._is_any = bool(self.needed.any())
        layouts, layout_of = np.unique(slot_bits(used), axis=0, return_inverse=True)
        self.layout_of: NDArray[np.intp] = layout_of.reshape(-1)
        """(D + 1,) layout of each declared universe, by its place in the house: universes that use the same slots share
        one. The last place has no patch."""
        self._words: NDArray[np.uint64] = np.ascontiguousarray(layouts.T)
        """(8, L) used slots of each layout, as bits."""
        self.size: NDArray[np.int64] = np.bitwise_count(layouts).sum(1, dtype=np.int64)
        """(L,) how many slots each layout uses."""
        slots = np.unpackbits(layouts.view(np.uint8), axis=1) > 0
        self.unused_words: NDArray[np.uint64] = np.where(slots, 0, ALL_BITS).astype(np.uint8).view(np.uint64)
        """(L, 64) words of eight slots; all bits in those that nothing uses."""

    def is_any(self, ctx: RuleContext) -> bool:
        """Whether the patch uses any slot."""
        return self._is_any

    def unused(self, universes: NDArray[np.int32]) -> NDArray[np.uint64]:
        """(N, 64) unused slots of universes, by their places in the house: words of eight, all bits where free."""
        return self.unused_words[self.layout_of[universes]]

    def used(self, universes: NDArray[np.int32]) -> NDArray[np.bool_]:
        """(N, 512) slots in use on universes, by their places in the house."""
        used: NDArray[np.bool_] = self.unused(universes).view(np.uint8) == 0
        return used

    def count_used(self, slots: NDArray[np.bool_]) -> NDArray[np.uint16]:
        """(N, L) how many of these slots, (N, 512), each layout uses."""
        wanted = slot_bits(slots)
        counts = np.zeros((len(slots), len(self.size)), np.uint16)
        # Word by word: the sum over eight of them, layout by layout, takes eight times as long.
        for number, words in enumerate(self._words):
            counts += np.bitwise_count(words & wanted[:, number, None])
        return counts

    def fixtures_on(self, universe: UniverseId) -> list[Fixture]:
        """Give the fixtures of a universe, in the order of the patch."""
        return self._fixtures.get(universe, [])
