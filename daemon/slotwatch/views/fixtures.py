"""Fixtures with the levels that reach them now, and the patch by universe."""

from __future__ import annotations

from slotwatch.house.conflicts import conflicts
from slotwatch.house.schema import Fixture, House
from slotwatch.house.space import spaces
from slotwatch.views.answers.stage import FixtureAnswer, PatchAnswer, SlotAnswer
from slotwatch.views.answers.traffic import PatchedAnswer
from slotwatch.views.sheet import Sheet
from slotwatch.wire.universe import SLOTS, Protocol, UniverseId

MOST_CONFLICTS = 500


def fixtures(sheet: Sheet, house: House) -> list[FixtureAnswer]:
    """Every patched fixture, in the patch's order, with the role and level of each of its slots."""
    rows = _rows_of_ids(sheet)
    return [fixture(sheet, one, rows.get(one.universe)) for one in house.fixtures]


def fixture(sheet: Sheet, one: Fixture, row: int | None) -> FixtureAnswer:
    """One fixture; `level` is null where no frame covers the slot."""
    slots = sheet.universes["slots"][row] if row is not None else 0
    levels = sheet.snapshot.levels[row, one.address - 1 : one.last_slot].tolist() if row is not None else []
    found: list[SlotAnswer] = [
        {"slot": number, "role": role, "level": levels[number - one.address] if number <= slots else None}
        for number, role in enumerate(one.slots, one.address)
    ]
    by_role = _by_role(found)
    return {
        "fixture": one.name,
        "label": one.label,
        "universe": sheet.snapshot.universe_names[row] if row is not None else str(one.universe),
        "address": one.address,
        "last_slot": one.last_slot,
        "footprint": one.footprint,
        "profile": one.profile,
        "position": one.position,
        "circuit": one.circuit,
        "faces_audience": one.faces_audience,
        "levels": by_role,
        "lit": bool(by_role["intensity"] if "intensity" in by_role else any(slot["level"] for slot in found)),
        "slots": found,
    }


def _by_role(slots: list[SlotAnswer]) -> dict[str, int | None]:
    """The highest level of each role, the intensity first: what a person looks for."""
    found: dict[str, int | None] = {}
    for slot in sorted(slots, key=lambda slot: slot["role"] != "intensity"):
        if slot["role"]:
            held = found.get(slot["role"])
            found[slot["role"]] = max(held, slot["level"] or 0) if held is not None else slot["level"]
    return found


def fixtures_of(sheet: Sheet, house: House, row: int) -> list[PatchedAnswer]:
    """The fixtures patched on one universe, by address, without levels (the universe's own answer has them)."""
    lists = sheet.universes
    universe = UniverseId(Protocol(lists["protocol"][row]), lists["number"][row])
    found = sorted((one for one in house.fixtures if one.universe == universe), key=lambda one: one.address)
    return [
        {
            "fixture": one.name,
            "label": one.label,
            "profile": one.profile,
            "address": one.address,
            "last_slot": one.last_slot,
            "slots": list(one.slots),
        }
        for one in found
    ]


def patch(house: House) -> PatchAnswer:
    """Used and free slots of each universe, and everything wrong with the declared patch, by file and row."""
    found: PatchAnswer = {
        "fixtures": len(house.fixtures),
        "universes": [
            {
                "universe": str(space.universe),
                "label": space.label,
                "fixtures": space.fixtures,
                "used": space.used,
                "free_slots": SLOTS - space.used,
                "free": [list(run) for run in space.free],
                "unsized": space.unsized,
            }
            for space in spaces(house)
        ],
        "conflicts": [
            {
                "kind": one.kind,
                "severity": one.severity.word,
                "text": one.text,
                "universe": str(one.universe) if one.universe else None,
                "universes": [str(one.universe)] if one.universe else [],
                "slots": list(one.slots) if one.slots else None,
                "fixtures": list(one.fixtures),
                "file": one.file.rpartition("/")[2],
                "row": one.row,
            }
            for one in conflicts(house)[:MOST_CONFLICTS]
        ],
    }
    return found


def _rows_of_ids(sheet: Sheet) -> dict[UniverseId, int]:
    """First row of each universe, on whichever network comes first."""
    found: dict[UniverseId, int] = {}
    lists = sheet.universes
    for row, (protocol, number) in enumerate(zip(lists["protocol"], lists["number"], strict=True)):
        found.setdefault(UniverseId(Protocol(protocol), number), row)
    return found
