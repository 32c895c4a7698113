"""The last good levels of an incident: by fixture, and never more than a page and the history can hold."""

from __future__ import annotations

import numpy as np

from slotwatch.house.schema import Fixture, House
from slotwatch.model.level_watch import LastGood
from slotwatch.views.reference_levels import MOST_SLOTS, last_good
from slotwatch.wire.universe import Protocol, UniverseId

NOT_MOVING = np.zeros(512, np.bool_)


def held(universes: int) -> dict[str, LastGood]:
    levels = np.full(512, 102, np.uint8)
    return {f"e131/{number}": LastGood(0, levels, 512, NOT_MOVING) for number in range(1, universes + 1)}


def test_universes_without_a_patch_are_listed_up_to_a_number_of_slots() -> None:
    found = last_good(House(), held(512), 0)
    assert found is not None
    assert [one["universe"] for one in found["fixtures"]] == [f"e131/{n}" for n in range(1, MOST_SLOTS // 512 + 1)]
    assert found["left_out"] == 512 - MOST_SLOTS // 512
    assert len(found["universes"]) == 512


def test_a_patched_house_is_listed_by_its_fixtures() -> None:
    place = UniverseId(Protocol.E131, 1)
    house = House(fixtures=tuple(Fixture(str(n), place, n, ("intensity",)) for n in (1, 2)))
    found = last_good(house, held(1), 0)
    assert found is not None and found["left_out"] == 0
    assert [(one["fixture"], one["levels"][0]["percent"]) for one in found["fixtures"]] == [("1", 40.0), ("2", 40.0)]
