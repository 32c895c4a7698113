"""`slotwatch check`: judges a house file, its patch and its routes without a network."""

from __future__ import annotations

import argparse
import json
import sqlite3
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from slotwatch import clock
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.shared.files import load_house
from slotwatch.edge.shared.places import history_of, is_hidden
from slotwatch.edge.shared.token import read_only
from slotwatch.errors import HouseFileError
from slotwatch.house.conflicts import Conflict, conflicts
from slotwatch.house.racks import NOTE, wiring
from slotwatch.house.schema import House
from slotwatch.snapshot import Severity
from slotwatch.views.records import exception_of


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-c", "--config", required=True, metavar="HOUSE.toml", help="the house file")
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(arguments: argparse.Namespace) -> int:
    """0 all well (notes alone are well), 1 it loads but has faults, 2 (by HouseFileError) it cannot be used."""
    try:
        house = load_house(arguments.config)
    except HouseFileError as error:
        if arguments.json:
            problems = [
                {"file": p.file, "line": p.line, "key": p.key, "holds": p.holds, "wanted": p.wanted}
                for p in error.problems
            ]
            print(json.dumps({"usable": False, "problems": problems}, indent=2, ensure_ascii=False))
        raise
    found = (*conflicts(house), *_page(house))
    made = _made(house)
    if arguments.json:
        print(json.dumps({**as_json(house, found), "accepted": made}, indent=2, ensure_ascii=False))
    else:
        print("\n".join(as_text(house, found, made)))
    return 1 if any(conflict.severity >= Severity.WARNING for conflict in found) else 0


def _page(house: House) -> list[Conflict]:
    """A page that others can reach and that takes no change: it would be noticed on the night."""
    trouble = read_only(house)
    return [Conflict("page-read-only", Severity.WARNING, (), None, None, trouble, house.file)] if trouble else []


def _made(house: House) -> list[dict[str, Any]]:
    """Exceptions that hold today: of the house file, and made from incidents where its history can be read."""
    now_ns = clock.wall_ns()
    today = datetime.fromtimestamp(now_ns / 1e9, UTC).date()
    found = [
        {
            "rule": row.rule,
            "universes": [str(universe) for universe in row.universes],
            "reason": row.reason,
            "until": None if row.until is None else row.until.isoformat(),
            "by": None,
            "incident": None,
        }
        for row in house.accepted
        if row.until is None or today <= row.until
    ]
    path = history_of(house)
    try:
        made = [exception_of(one) for one in Archive(path).exceptions()] if not is_hidden(path) else []
    except sqlite3.Error:
        made = []  # no history yet, or none that can be read: serve and report say so
    return found + [
        {
            "rule": one.rule,
            "universes": list(one.universes),
            "reason": one.reason,
            "until": one.until,
            "by": one.by,
            "incident": one.incident,
        }
        for one in made
        if one.until_wall_ns > now_ns
    ]


def as_json(house: House, found: tuple[Conflict, ...]) -> dict[str, Any]:
    """What `--json` prints for a house that can be used."""
    return {
        "usable": True,
        "house": house.name,
        "counts": counts(house),
        "conflicts": [
            {
                "kind": one.kind,
                "severity": one.severity.word,
                "file": Path(one.file).name,
                "row": one.row,
                "universe": str(one.universe) if one.universe else None,
                "slots": list(one.slots) if one.slots else None,
                "fixtures": list(one.fixtures),
                "text": one.text,
            }
            for one in found
        ],
        "racks": nameplates(house),
        "notes": list(house.notes),
    }


def nameplates(house: House) -> list[dict[str, Any]]:
    """What each rack would draw with everything at full: an estimate from the declared loads."""
    return [
        {
            "rack": wired.rack.name,
            "load_w": round(sum(way.load_w for way in wired.ways), 1),
            "supplies": [
                {"supply": n, "full_a": round(wired.supply_full_a(n), 1), "limit_a": wired.rack.supply_limit_a}
                for n in range(1, wired.rack.supplies + 1)
            ],
            "note": NOTE,
        }
        for wired in wiring(house)
    ]


def counts(house: House) -> dict[str, int]:
    """How many of each the house declares."""
    kinds = ("networks", "sources", "universes", "fixtures", "circuits", "racks", "receivers", "lines", "routes")
    return {kind: len(getattr(house, kind)) for kind in kinds}


def as_text(house: House, found: tuple[Conflict, ...], made: Sequence[dict[str, Any]] = ()) -> list[str]:
    """What is printed for people: what it holds, how files were read, what is wrong at its row."""
    held = ", ".join(f"{n} {kind if n != 1 else kind[:-1]}" for kind, n in counts(house).items() if n)
    lines = [f"{house.name}: {held or 'nothing is declared yet'}"]
    lines += [f"  note     {note}" for note in house.notes]
    for rack in nameplates(house):
        supplies = ", ".join(f"line {row['supply']} {row['full_a']:g} A" for row in rack["supplies"])
        lines.append(f"  estimate {rack['rack']}: {rack['load_w'] / 1000:g} kW declared; at full {supplies}")
    if house.racks:
        lines.append(f"  estimate {NOTE}")
    for row in made:
        where = f" on {', '.join(row['universes'])}" if row["universes"] else ""
        until = f" until {row['until']}" if row["until"] else ""
        by = f", by {row['by']} from incident {row['incident']}" if row["incident"] else ""
        lines.append(f"  accepted {row['rule']}{where}{until}{by}: {row['reason']}")
    for one in found:
        place = Path(one.file).name + (f":{one.row}" if one.row is not None else "")
        lines.append(f"  {one.severity.word:<8} {place}: {one.text}")
    faults = sum(one.severity >= Severity.WARNING for one in found)
    if faults:
        lines.append(f"{faults} fault{'s' if faults != 1 else ''} found; the house can be used all the same.")
    else:
        lines.append("No fault found.")
    return lines
