"""Fixtures with the levels that reach them now, and the patch by universe."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from slotwatch.house.schema import Fixture, House
from slotwatch.views.sheet import Sheet
from slotwatch.wire.universe import Protocol, UniverseId

SLOTS = 512


def fixtures(sheet: Sheet, house: House) -> list[dict[str, Any]]:
    """Every patched fixture, in the patch's order, with the role and level of each of its slots."""
    rows = _rows_of_ids(sheet)
    return [fixture(sheet, one, rows.get(one.universe)) for one in house.fixtures]


def fixture(sheet: Sheet, one: Fixture, row: int | None) -> dict[str, Any]:
    """One fixture; `level` is null where no frame covers the slot."""
    slots = sheet.universes["slots"][row] if row is not None else 0
    levels = sheet.snapshot.levels[row, one.address - 1 : one.last_slot].tolist() if row is not None else []
    found = [
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


def _by_role(slots: list[dict[str, Any]]) -> dict[str, int | None]:
    """The highest level of each role, the intensity first: what a person looks for."""
    found: dict[str, int | None] = {}
    for slot in sorted(slots, key=lambda slot: slot["role"] != "intensity"):
        if slot["role"]:
            held = found.get(slot["role"])
            found[slot["role"]] = max(held, slot["level"] or 0) if held is not None else slot["level"]
    return found


def fixtures_of(sheet: Sheet, house: House, row: int) -> list[dict[str, Any]]:
    """The fixtures patched on one universe, by address, without levels (they stand in the universe's own)."""
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


def patch(sheet: Sheet, house: House) -> dict[str, Any]:
    """Used and free slots of each universe with a patch, and the patch's conflicts as judged."""
    by_universe: dict[UniverseId, list[Fixture]] = defaultdict(list)
    for one in house.fixtures:
        by_universe[one.universe].append(one)
    rows = _rows_of_ids(sheet)
    labels = sheet.snapshot.universe_labels
    found: dict[str, Any] = {
        "fixtures": len(house.fixtures),
        "universes": [
            {
                "universe": str(universe),
                "label": labels[rows[universe]] if universe in rows else "",
                "fixtures": len(patched),
                **_slots(patched),
            }
            for universe, patched in sorted(by_universe.items())
        ],
        "conflicts": [
            {
                "incident": incident.id,
                "severity": incident.severity.word,
                "text": incident.summary,
                "universes": list(incident.universes),
                "fixtures": list(incident.fixtures),
            }
            for incident in sheet.snapshot.incidents
            if incident.rule == "patch-conflict" and incident.closed_ns is None
        ],
    }
    return found | sheet.snapshot.patch


def _slots(patched: list[Fixture]) -> dict[str, Any]:
    used = [False] * (SLOTS + 1)
    for one in patched:
        for slot in range(max(1, one.address), min(SLOTS, one.last_slot) + 1):
            used[slot] = True
    free: list[list[int]] = []
    for slot in range(1, SLOTS + 1):
        if not used[slot]:
            if free and free[-1][1] == slot - 1:
                free[-1][1] = slot
            else:
                free.append([slot, slot])
    return {"used": sum(used), "free_slots": SLOTS - sum(used), "free": free}


def _rows_of_ids(sheet: Sheet) -> dict[UniverseId, int]:
    """First row of each universe, on whichever network comes first."""
    found: dict[UniverseId, int] = {}
    lists = sheet.universes
    for row, (protocol, number) in enumerate(zip(lists["protocol"], lists["number"], strict=True)):
        found.setdefault(UniverseId(Protocol(protocol), number), row)
    return found
