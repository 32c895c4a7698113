"""Reference levels by fixture and role: pairs as pairs, what moves left out, changed modes reported."""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np
import pytest

from slotwatch.house.schema import Circuit, Fixture, House
from slotwatch.model.reference_bytes import pack, unpack
from slotwatch.model.reference_comparison import NotCompared, compare
from slotwatch.model.reference_levels import UniverseLevels, channels_of, keep
from slotwatch.wire.universe import Protocol, UniverseId

U1, U2 = UniverseId(Protocol.E131, 1), UniverseId(Protocol.E131, 2)
LAMP = ("intensity",)
MOVER = ("intensity", "pan", "pan-fine", "strobe", "control", "red")
HOUSE = House(
    fixtures=(
        Fixture("1", U1, 1, LAMP, profile="lamp", position="Bar 1", circuit="c1", label="front"),
        Fixture("2", U1, 2, LAMP, profile="lamp", position="Bar 2"),
        Fixture("3", U1, 101, MOVER, profile="mover", position="Bar 2"),
    ),
    circuits=(Circuit("c1", "dimmers", 1),),
)
PERCENT = 0.02


def levels(values: dict[int, int], moving: tuple[int, ...] = (), slots: int = 512) -> UniverseLevels:
    """One universe: levels by slot number."""
    held, moves = np.zeros(512, np.uint8), np.zeros(512, np.bool_)
    for slot, value in values.items():
        held[slot - 1] = value
    moves[[slot - 1 for slot in moving]] = True
    return UniverseLevels(held, slots, moves)


def pair(value: int) -> dict[int, int]:
    """Pan of the mover in slots 102 and 103: high octet first (DIN SPEC 15800, DMXChannel offsets)."""
    return dict(enumerate(struct.pack(">H", value), 102))


def differing(then: UniverseLevels, now: UniverseLevels, house: House = HOUSE) -> list[tuple[str, str, float, float]]:
    kept = keep("act 1", 0, "", HOUSE, {"e131/1": then})
    found = compare(kept, house, {"e131/1": now}, PERCENT)
    return [
        (one.fixture.name, channel.role, round(100 * channel.was, 1), round(100 * channel.now, 1))
        for one in found.differences
        for channel in one.channels
    ]


def test_what_differs_comes_worst_first() -> None:
    # 153 of 255 is 60 %, 250 is 98 %, 255 is 100 %: arithmetic
    found = differing(levels({1: 250, 2: 153, 101: 255}), levels({1: 240, 101: 255}))
    assert found == [("2", "intensity", 60.0, 0.0), ("1", "intensity", 98.0, 94.1)]


def test_what_differs_by_the_tolerance_or_less_is_as_it_was() -> None:
    # 5 of 255 is 1.96 %, 6 is 2.35 %: arithmetic
    assert differing(levels({1: 100}), levels({1: 105})) == []
    assert differing(levels({1: 100}), levels({1: 106})) == [("1", "intensity", 39.2, 41.6)]


def test_a_16_bit_pair_differs_by_its_pair_and_not_by_its_bytes() -> None:
    # From 0x40ff to 0x4100 the fine octet falls by 255 and the pair rises by 1 of 65,535.
    assert differing(levels(pair(0x40FF)), levels(pair(0x4100))) == []
    # 1,311 of 65,535 is 2.0005 %: the octets differ by 5 and 31.
    assert differing(levels(pair(0x4000)), levels(pair(0x4000 + 1311))) == [("3", "pan", 25.0, 27.0)]
    assert differing(levels(pair(0x4000)), levels(pair(0x4000 + 1310))) == []


def test_control_and_strobe_slots_are_not_compared() -> None:
    assert differing(levels({104: 0, 105: 0}), levels({104: 255, 105: 255})) == []


def test_what_moved_when_it_was_kept_is_not_compared() -> None:
    kept = keep("act 1", 0, "", HOUSE, {"e131/1": levels({1: 10, **pair(0)}, moving=(102, 103))})
    found = compare(kept, HOUSE, {"e131/1": levels({1: 10, **pair(60000)})}, PERCENT)
    assert (found.differences, found.moving, found.compared) == ((), 1, 3)


def test_a_fixture_of_which_all_moved_is_not_called_as_it_was() -> None:
    kept = keep("act 1", 0, "", HOUSE, {"e131/1": levels({1: 10}, moving=(1, 101, 102, 103))})
    found = compare(kept, HOUSE, {"e131/1": levels({1: 10})}, PERCENT)
    # Of the mover red stood still; the strobe and control slots are never compared.
    assert found.not_compared == (NotCompared("1", "moving", "all of it moved when the reference was kept"),)
    assert (found.compared, found.moving) == (2, 3)


def test_a_pair_whose_fine_octet_alone_ran_is_compared() -> None:
    then = levels(pair(0x4000), moving=(103,))
    assert differing(then, levels(pair(0x8000))) == [("3", "pan", 25.0, 50.0)]


def test_a_changed_mode_is_reported_and_not_compared() -> None:
    kept = keep("act 1", 0, "", HOUSE, {"e131/1": levels({101: 255})})
    longer = replace(HOUSE.fixtures[2], slots=(*MOVER, "green"), profile="mover extended")
    house = replace(HOUSE, fixtures=(*HOUSE.fixtures[:2], longer))
    found = compare(kept, house, {"e131/1": levels({})}, PERCENT)
    assert [(one.fixture, one.reason) for one in found.not_compared] == [("3", "mode-changed")]
    assert found.not_compared[0].text == "its mode changed: mover with 6 slots then, mover extended with 7 slots now"
    assert found.differences == ()


def test_a_moved_fixture_is_compared_where_it_is_now() -> None:
    kept = keep("act 1", 0, "", HOUSE, {"e131/1": levels({1: 10, 2: 200})})
    house = replace(HOUSE, fixtures=(replace(HOUSE.fixtures[0], universe=U2, address=77), *HOUSE.fixtures[1:]))
    now = {"e131/1": levels({1: 99, 2: 200}), "e131/2": levels({77: 10})}
    found = compare(kept, house, now, PERCENT)
    assert (found.differences, found.moved) == ((), (("1", "e131/1 1", "e131/2 77"),))
    now["e131/2"] = levels({77: 210})
    (one,) = compare(kept, house, now, PERCENT).differences
    assert (one.fixture.name, one.universe, one.address) == ("1", "e131/2", 77)


def test_what_cannot_be_compared_says_why() -> None:
    kept = keep("act 1", 0, "", HOUSE, {"e131/1": levels({1: 10})})
    house = replace(HOUSE, fixtures=(HOUSE.fixtures[0], replace(HOUSE.fixtures[1], universe=U2)))
    house = replace(house, fixtures=(*house.fixtures, Fixture("9", U1, 300, LAMP)))
    found = compare(kept, house, {"e131/1": levels({1: 10})}, PERCENT)
    assert {(one.fixture, one.reason) for one in found.not_compared} == {
        ("2", "no-data"),
        ("3", "not-patched"),
        ("9", "new"),
    }


def test_a_universe_without_a_patch_is_compared_by_slot() -> None:
    live = {"e131/1": levels({}), "artnet/0": levels({7: 255}, slots=24)}
    kept = keep("act 1", 0, "", HOUSE, live)
    (one,) = compare(kept, HOUSE, {**live, "artnet/0": levels({}, slots=24)}, PERCENT).differences
    assert (one.fixture.name, [channel.role for channel in one.channels]) == ("artnet/0", ["slot 7"])
    silent = compare(kept, HOUSE, {"e131/1": levels({})}, PERCENT)
    assert [(one.fixture, one.reason) for one in silent.not_compared] == [("artnet/0", "no-data")]


def test_a_part_of_the_house_can_be_kept() -> None:
    live = {"e131/1": levels({1: 1})}
    names = {
        "whole": keep("x", 0, "", HOUSE, live),
        "position": keep("x", 0, "", HOUSE, live, ((), (), ("Bar 2",))),
        "rack": keep("x", 0, "", HOUSE, live, ((), ("dimmers",), ())),
        "universe": keep("x", 0, "", HOUSE, live, (("e131/1",), (), ())),
    }
    assert {what: [one.name for one in kept.fixtures] for what, kept in names.items()} == {
        "whole": ["1", "2", "3"],
        "position": ["2", "3"],
        "rack": ["1"],
        "universe": ["1", "2", "3"],
    }
    with pytest.raises(ValueError, match="no fixture is on these"):
        keep("x", 0, "", HOUSE, live, ((), (), ("Bar 99",)))
    with pytest.raises(ValueError, match="no levels arrive"):
        keep("x", 0, "", HOUSE, {})


def test_cells_have_their_pairs_in_the_order_of_the_slots() -> None:
    found = channels_of(("red", "red-fine", "green", "red", "red-fine", "pan", "pan-fine", "pan-fine-2", "blue-fine"))
    assert [(one.role, one.coarse, one.fine) for one in found] == [
        ("red 1", 0, 1),
        ("green", 2, -1),
        ("red 2", 3, 4),
        ("pan", 5, 6),
        ("blue-fine", 8, -1),
    ]


def test_bytes_bring_a_reference_back() -> None:
    kept = keep("act 1 ◇", 5, "Ann", HOUSE, {"e131/1": levels({1: 10, 512: 3}, moving=(102, 512))})
    back = unpack(pack(kept))
    assert replace(back, universes={}) == replace(kept, universes={})
    for name in ("levels", "moving", "slots"):
        was, now = getattr(kept.universes["e131/1"], name), getattr(back.universes["e131/1"], name)
        assert np.array_equal(was, now)


def test_other_bytes_are_refused_with_a_sentence() -> None:
    whole = pack(keep("act 1", 5, "Ann", HOUSE, {"e131/1": levels({1: 10})}))
    for octets in (b"", b"nothing", whole[:-9], whole[:40], pack(keep("a", 0, "", HOUSE, {"e131/1": levels({})}))[3:]):
        with pytest.raises(ValueError, match="these reference levels cannot be read"):
            unpack(octets)
