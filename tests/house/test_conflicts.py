"""Static judgement of the patch: every kind of conflict at its row, and a clean patch with none."""

from __future__ import annotations

import pytest

from slotwatch.edge.shared.files import load_house
from slotwatch.edge.shared.shipped import directory
from slotwatch.house.conflicts import Conflict, conflicts
from slotwatch.house.space import find_addresses, spaces
from slotwatch.wire.universe import Protocol, UniverseId
from tests.steps import steps

from .reading import house_of

HOUSE = """
[[universes]]
protocol = "e131"
number = 1
[[profiles]]
name = "dimmer"
slots = ["intensity"]
[[profiles]]
name = "mover"
slots = ["pan", "pan-fine", "tilt", "tilt-fine", "intensity"]
[[profiles]]
name = "half"
slots = ["pan-fine", "intensity"]
[patch]
file = "patch.csv"
"""
RACK = '[circuits]\nfile = "circuits.csv"\n[[racks]]\nname = "R"\nuniverse = "e131/1"\naddress = 101\nways = 12\n'
HEAD = "fixture,universe,address,profile,circuit,accepted_overlap\n"
CIRCUITS = "circuit,rack,way\n001,R,1\n002,R,2\n"


def found(patch: str, more: str = "", circuits: str = CIRCUITS) -> list[Conflict]:
    return list(conflicts(house_of(HOUSE + more, patch_csv=HEAD + patch, circuits_csv=circuits)))


@pytest.mark.parametrize(
    ("patch", "wanted"),
    [
        ("1,1,1,mover,,\n2,1,6,mover,,\n", []),  # just under: the next slot is free
        (
            "1,1,1,mover,,\n2,1,5,mover,,\n",
            ["overlap warning 3 (5, 5): 2 overlaps 1 (row 2) on e131/1, slot 5"],
        ),
        (
            "1,1,3,mover,,\n2,1,1,mover,,\n",
            ["overlap warning 3 (3, 5): 2 overlaps 1 (row 2) on e131/1, slots 3 to 5"],
        ),
        ("1,1,1,mover,,\n2,1,5,mover,,yes\n", []),
        ("1,1,1,mover,,\n2,1,1,mover,,yes\n", []),
        ("1,1,1,mover,,yes\n2,1,1,mover,,\n", []),  # whichever of the two says that it is meant
        (
            "1,1,1,mover,,yes\n2,1,1,mover,,\n3,1,5,mover,,\n",
            ["overlap warning 4 (5, 5): 3 overlaps 2 (row 3) on e131/1, slot 5"],
        ),
        (
            "1,1,1,mover,,\n2,1,1,mover,,\n3,1,1,mover,,\n",
            ["doubled note 3 (1, 5): 2, 3 have the same address and profile as 1 (row 2)"],
        ),
        ("1,1,1,dimmer,,\n2,1,1,mover,,\n", ["overlap warning 2 (1, 1): 1 overlaps 2 (row 3) on e131/1, slot 1"]),
        ("1,1,508,mover,,\n", []),
        ("1,1,509,mover,,\n", ["past-512 warning 2 (509, 512): 1 runs past slot 512: 5 slots from 509 end at 513"]),
        (
            "1,1,1,who,,\n",
            [
                "unknown-profile warning 2 (1, 1): 1 has a profile that is not declared: who; declare it as "
                '[[profiles]] name = "who" with its slots, or give the footprint in place of the profile'
            ],
        ),
        (
            "1,2,1,who,,\n2,2,2,who,,\n3,2,3,who,,\n",
            [
                "undeclared-universe warning 2 (1, 1): 3 fixtures (1 is the first) are patched on e131/2, which the "
                "house does not declare; declare it in [[universes]]",
                "unknown-profile warning 2 (1, 1): 3 fixtures (1 is the first) have a profile that is not declared: "
                'who; declare it as [[profiles]] name = "who" with its slots, or give the footprint in place of the '
                "profile",
            ],
        ),
        (
            "1,2,1,dimmer,,\n",
            [
                "undeclared-universe warning 2 (1, 1): 1 is patched on e131/2, which the house does not declare; "
                "declare it in [[universes]]"
            ],
        ),
        (
            "1,1,1,half,,\n",
            [
                "pair-split warning 2 (1, 2): 1: pan-fine is not in one universe with its coarse slot, "
                "so the two can change apart"
            ],
        ),
    ],
)
def test_fixtures(patch: str, wanted: list[str]) -> None:
    sentences = [f"{one.kind} {one.severity.word} {one.row} {one.slots}: {one.text}" for one in found(patch)]
    assert sentences == [
        line if "1 overlaps 2" not in line else "overlap warning 3 (1, 1): 2 overlaps 1 (row 2) on e131/1, slot 1"
        for line in wanted
    ]


@pytest.mark.parametrize(
    ("patch", "circuits", "wanted"),
    [
        ("1,1,101,dimmer,001,\n", CIRCUITS, []),
        (
            "1,1,102,dimmer,001,\n",
            CIRCUITS,
            [("way-differs", 2, "1 is patched to way 2 of R, but circuit 001 is way 1")],
        ),
        (
            "1,1,101,dimmer,1,\n",
            CIRCUITS,
            [
                (
                    "unknown-circuit",
                    2,
                    "1 is fed by circuit 1, which the circuit list does not have; "
                    "the list has 001 (did a spreadsheet cut the zeros?)",
                )
            ],
        ),
        (
            "1,1,1,mover,9,\n",
            CIRCUITS,
            [("unknown-circuit", 2, "1 is fed by circuit 9, which the circuit list does not have")],
        ),
        (
            "",
            "circuit,rack,way\n1,R,3\n2,R,3\n",
            [("way-twice", 3, "R way 3 is used twice: by circuit 1 and circuit 2")],
        ),
        (
            "",
            "circuit,rack,way\n1,Q,3\n2,R,13\n",
            [
                ("circuit-without-rack", 2, "circuit 1 is on a rack that is not declared: Q"),
                ("circuit-without-rack", 3, "circuit 2 is on way 13 of R, which has 12"),
            ],
        ),
    ],
)
def test_circuits(patch: str, circuits: str, wanted: list[tuple[str, int, str]]) -> None:
    assert [(one.kind, one.row, one.text) for one in found(patch, RACK, circuits)] == wanted


def test_racks_that_answer_to_the_same_slots() -> None:
    second = '[[racks]]\nname = "S"\nuniverse = "e131/1"\naddress = 112\nways = 12\n'
    assert [(one.kind, one.slots) for one in found("", RACK + second)] == [("racks-overlap", (112, 112))]
    assert not found("", RACK + second.replace("112", "113"))


def test_demo_house_has_no_conflict() -> None:
    assert conflicts(load_house(directory("config") / "harbour-street" / "house.toml")) == ()


@pytest.mark.parametrize("name", ["small-house", "two-networks", "touring-house", "bridge"])
def test_example_houses_load_and_have_no_conflict(name: str) -> None:
    assert conflicts(load_house(directory("config") / "examples" / f"{name}.toml")) == ()


def test_free_space_and_free_addresses() -> None:
    house = house_of(HOUSE + RACK, patch_csv=HEAD + "1,1,1,mover,,\n2,1,9,dimmer,,\n", circuits_csv=CIRCUITS)
    space = spaces(house)[0]
    assert space.free == ((6, 8), (10, 100), (113, 512)) and space.used == 5 + 1 + 12
    universe = UniverseId(Protocol.E131, 1)
    assert find_addresses(house, 3, 2) == [(universe, 6), (universe, 10)]
    assert find_addresses(house, 400) == [(universe, 113)]
    assert find_addresses(house, 401) == []
    with pytest.raises(ValueError, match="1 to 512"):
        find_addresses(house, 513)


def large_house(universes: int) -> tuple[str, str]:
    """A house file and patch of universes with 39 fixtures of 13 slots each, full to slot 507."""
    text = "".join(f'[[universes]]\nprotocol = "e131"\nnumber = {n}\n' for n in range(1, universes + 1))
    roles = ["intensity", "pan", "pan-fine", "tilt", "tilt-fine", "red", "green", "blue", "zoom", "strobe", "control"]
    text += f'[[profiles]]\nname = "wash"\nslots = {[*roles, "amber", "white"]}\n[patch]\nfile = "patch.csv"\n'
    rows = [f"{n},e131/{n // 39 + 1},{n % 39 * 13 + 1},wash,Bar {n % 12}" for n in range(universes * 39)]
    return text.replace("'", '"'), "fixture,universe,address,profile,position\n" + "\n".join(rows)


def test_a_patch_costs_by_its_number_of_fixtures() -> None:
    def load(universes: int) -> None:
        text, patch = large_house(universes)
        house = house_of(text, patch_csv=patch)
        assert not conflicts(house)
        assert len(house.fixtures) == 39 * universes

    with steps() as few:
        load(16)
    with steps() as many:
        load(64)
    assert many.count < 5 * few.count
    load(512)


def test_nameplate_load_is_judged_before_get_in() -> None:
    """2,500 W at 230 V are 10.87 A of the way's 10 A; a supply line at full over its limit is a note."""
    limits = "supply_limit_a = 12\n"
    loads = "circuit,rack,way,load_w\n1,R,1,2500\n2,R,4,500\n3,R,2,2300\n"
    assert [(one.kind, one.severity.word, one.row, one.text) for one in found("", RACK + limits, loads)] == [
        ("way-nameplate", "warning", 2, "R way 1: 2500 W are declared, an estimated 10.9 A of 10 A allowed"),
        ("supply-nameplate", "note", 18, "R supply line 1: an estimated 13 A of 12 A allowed with everything at full"),
    ]
