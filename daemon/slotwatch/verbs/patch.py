"""`slotwatch patch`: the patch by universe, by fixture or by free space, and a free address for a footprint."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable
from typing import Any

from slotwatch.edge.shared.files import load_house
from slotwatch.errors import SlotwatchError
from slotwatch.house.schema import Fixture, House
from slotwatch.house.space import find_addresses, spaces
from slotwatch.judge import wording
from slotwatch.printable import shown
from slotwatch.wire.universe import UniverseId, parse

FOUND_NONE = 1


class WrongRequest(SlotwatchError):
    """The command line asks for something that cannot be."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-c", "--config", required=True, metavar="HOUSE.toml", help="the house file")
    parser.add_argument("--by", choices=("universe", "fixture", "free"), default="universe", help="order of the list")
    parser.add_argument("--universe", metavar="UNIVERSE", help="only this one, such as e131/1")
    parser.add_argument("--find", type=int, metavar="SLOTS", help="find a free address for a footprint")
    parser.add_argument("--count", type=int, metavar="N", help="with --find: for this many fixtures")
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(arguments: argparse.Namespace) -> int:
    """0; 1 where no free address was found; 2 (by SlotwatchError) where it cannot be answered."""
    house = load_house(arguments.config)
    for file in house.empty_patches:
        print(shown(f"slotwatch patch: warning: {file} holds no patched fixtures"), file=sys.stderr)
    only = _only(house, arguments.universe)
    unsized = sum(space.unsized for space in spaces(house) if only is None or space.universe == only)
    if unsized:
        print(shown(f"slotwatch patch: warning: {_say_unsized(unsized)}"), file=sys.stderr)
    if arguments.find is not None:
        return _find(house, arguments.find, 1 if arguments.count is None else arguments.count, only, arguments.json)
    if arguments.count is not None:
        raise WrongRequest("--count: give --find too, the slots that each fixture needs")
    if arguments.by == "free":
        rows = [row for row in _free(house) if only is None or row["universe"] == str(only)]
    else:
        rows = [_row(fixture) for fixture in _sorted(house, arguments.by, only)]
    if arguments.json:
        print(json.dumps(rows, indent=2, ensure_ascii=False))
    else:
        print(
            "\n".join(_table(rows, _HEADINGS[arguments.by]))
            if rows
            else _NO_ROWS[bool(house.fixtures or house.empty_patches)]
        )
    return 0


_NO_ROWS = {False: "The house file names no patch here.", True: "No fixture is patched here."}
_HEADINGS = {
    "universe": ("universe", "address", "last", "fixture", "profile", "label", "position", "circuit"),
    "fixture": ("fixture", "universe", "address", "last", "profile", "label", "position", "circuit"),
    "free": ("universe", "label", "fixtures", "used", "free"),
}


def _say_unsized(count: int) -> str:
    return (
        f"the number of slots of {wording.count(count, 'fixture')} is not known, for neither a declared profile nor "
        "the patch file gives it: slots that are listed as free may be taken"
    )


def _only(house: House, text: str | None) -> UniverseId | None:
    if text is None:
        return None
    try:
        universe = parse(text)[0]
    except ValueError as error:
        raise WrongRequest(f"--universe: {error}") from None
    if all(space.universe != universe for space in spaces(house)):
        raise WrongRequest(f"--universe: {universe} is neither declared nor patched in this house")
    return universe


def _find(house: House, footprint: int, count: int, only: UniverseId | None, as_json: bool) -> int:
    if count < 1:
        raise WrongRequest("--count: a number of fixtures, 1 or more, is expected")
    try:
        found = find_addresses(house, footprint, count, only)
    except ValueError as error:
        raise WrongRequest(f"--find: {error}") from None
    if as_json:
        print(json.dumps([{"universe": str(universe), "address": address} for universe, address in found]))
    else:
        for universe, address in found:
            print(f"{universe}  {address}")
        if len(found) < count:
            print(f"Found {len(found)} of {count}: nowhere else are {footprint} slots in a row free.")
    return 0 if len(found) >= count else FOUND_NONE


def _sorted(house: House, by: str, only: UniverseId | None) -> list[Fixture]:
    order = {space.universe: index for index, space in enumerate(spaces(house))}
    fixtures = [fixture for fixture in house.fixtures if only is None or fixture.universe == only]
    if by == "fixture":
        return sorted(fixtures, key=lambda fixture: _natural(fixture.name))
    return sorted(fixtures, key=lambda fixture: (order[fixture.universe], fixture.address))


def _natural(name: str) -> tuple[tuple[int, str], ...]:
    """2 before 10."""
    parts: list[tuple[int, str]] = []
    digits = ""
    for letter in f"{name}\0":
        if letter.isdecimal():
            digits += letter
            continue
        if digits:
            parts.append((int(digits[:18]), ""))
            digits = ""
        parts.append((1 << 62, letter))
    return tuple(parts)


def _row(fixture: Fixture) -> dict[str, Any]:
    return {
        "fixture": fixture.name,
        "universe": str(fixture.universe),
        "address": fixture.address,
        "last": fixture.last_slot if fixture.is_size_known else None,
        "footprint": fixture.footprint if fixture.is_size_known else None,
        "profile": fixture.profile,
        "label": fixture.label,
        "position": fixture.position,
        "circuit": fixture.circuit,
        "faces_audience": fixture.faces_audience,
    }


def _free(house: House) -> list[dict[str, Any]]:
    return [
        {
            "universe": str(space.universe),
            "label": space.label,
            "fixtures": space.fixtures,
            "used": space.used,
            "free": [list(run) for run in space.free],
            "unsized": space.unsized,
        }
        for space in spaces(house)
    ]


def _table(rows: Iterable[dict[str, Any]], headings: tuple[str, ...]) -> list[str]:
    cells = [headings, *(tuple(_cell(row[name]) for name in headings) for row in rows)]
    widths = [max(len(line[at]) for line in cells) for at in range(len(headings))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) for line in cells]
    return [line.rstrip() for line in lines]


def _cell(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in value) or "none"
    if value is None:
        return "not known"
    return str(value)
