"""The patch from an MVR file (DIN SPEC 15801) with its GDTF modes.

pymvr reads the scene; it is only given what was checked here first. Which MVR universe is which wire
universe is given in `[patch] universes` and is never guessed: MVR numbers its universes from 1 and names no wire.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from xml.etree.ElementTree import Element

import pymvr

from slotwatch.errors import HouseFileError, Problem
from slotwatch.house.archive import MAX_INNER_BYTES, CheckedArchive, Elements
from slotwatch.house.cells import Addressing
from slotwatch.house.gdtf import FixtureType, Mode, read_gdtf
from slotwatch.house.patch import EMPTY_SLOT, Patch, ProfileTable
from slotwatch.house.schema import Fixture, Profile
from slotwatch.printable import one_line
from slotwatch.wire.universe import SLOTS, UniverseId

ROOT = "GeneralSceneDescription.xml"
OFFICE = {"[Content_Types].xml", "META-INF/manifest.xml"}
"""Files in every document of Office Open XML (ECMA-376 part 2, 10.2.3) and of OpenDocument (ODF 1.3 part 2, 3.2)."""
MAX_FIXTURES = 50_000
MAX_TYPES = 1024
_CHILDREN = ("group_objects", "scene_objects", "trusses", "supports", "video_screens", "projectors")


@dataclass(slots=True)
class _Hung:
    """A fixture of the scene and what it hangs in."""

    fixture: Any
    layer: str


MOST_NUMBERS = 12
"""MVR universes that are listed in one sentence."""


@dataclass(slots=True)
class _Reading:
    file: str
    archive: CheckedArchive
    addressing: Addressing
    own: ProfileTable
    patch: Patch = field(default_factory=Patch)
    types: dict[str, FixtureType] = field(default_factory=dict)
    elements: Elements = field(default_factory=Elements)
    """Left for the types that are still to be read."""
    names: Counter[str] = field(default_factory=Counter)
    missing: Counter[int] = field(default_factory=Counter)
    """MVR universes that no wire universe is declared for, and how many fixtures they carry."""
    unpatched: int = 0
    renamed: int = 0


def read_mvr(
    file: str, data: bytes, addressing: Addressing, profiles: list[Profile], audience_layers: tuple[str, ...]
) -> Patch:
    """Read an MVR file. HouseFileError if it cannot be read; what is wrong with fixtures is in `problems`."""
    archive = CheckedArchive(file, data)
    if OFFICE & set(archive.names):
        raise archive.refused("it is a spreadsheet or another office document; save the list as CSV (UTF-8)")
    if ROOT not in archive.names:
        raise archive.refused(f"it is a zip archive without {ROOT}, so it is not an MVR file")
    root = archive.xml(ROOT)
    _drop_empty_addresses(root)
    if len(root.findall(".//Fixture")) > MAX_FIXTURES:
        raise archive.refused(f"it holds more than {MAX_FIXTURES} fixtures")
    try:
        scene = pymvr.Scene(xml_node=root.find("Scene"))
        hung = list(_fixtures(scene))
        positions = {p.uuid: p.name or "" for p in (scene.aux_data.positions if scene.aux_data else ())}
    except Exception as error:  # pymvr lets whatever its parsing meets through: any of it means "not readable"
        raise archive.refused(f"pymvr cannot read it: {type(error).__name__}: {error}") from None
    reading = _Reading(file, archive, addressing, ProfileTable.of(profiles))
    for one in hung:
        position = positions.get(one.fixture.position, "") or one.layer
        _read_fixture(reading, one.fixture, one_line(position), one.layer in audience_layers)
    _conclude(reading)
    return reading.patch


def _drop_empty_addresses(root: Element) -> None:
    """An address that is empty or 0 means "not patched"; pymvr would read it as universe 1, address 1."""
    for addresses in root.iter("Addresses"):
        # At once: a removal looks through all of them.
        addresses[:] = [
            one for one in addresses if one.tag != "Address" or (one.text or "").strip() not in ("", "0", "0.0")
        ]


def _fixtures(scene: Any) -> Iterator[_Hung]:
    for layer in scene.layers:
        stack = [layer.child_list]
        while stack:
            children = stack.pop()
            if children is None:
                continue
            for fixture in children.fixtures:
                yield _Hung(fixture, layer.name)
                stack.append(fixture.child_list)
            stack += [thing.child_list for kind in _CHILDREN for thing in getattr(children, kind)]


def _read_fixture(reading: _Reading, fixture: Any, position: str, faces_audience: bool) -> None:
    addresses = sorted(fixture.addresses.addresses, key=lambda address: address.dmx_break)
    if not addresses:
        reading.unpatched += 1
        return
    name = _name(reading, fixture)
    profile_name, mode = _mode(reading, fixture)
    breaks = _breaks(mode, [address.dmx_break for address in addresses])
    if breaks is None:
        held = ", ".join(str(address.dmx_break) for address in addresses)
        numbers = list(mode.breaks) if mode else []
        known = f"break{'' if len(numbers) == 1 else 's'} {', '.join(map(str, numbers))}"
        wanted = (
            f"mode {mode.name if mode else ''} of {fixture.gdtf_spec} has {known}; one address for each is expected"
        )
        key, value = f"fixture {name}", f"addresses for the breaks {held}"
        reading.patch.problems.append(Problem(reading.file, None, key, value, wanted))
        return
    for index, (address, slots) in enumerate(zip(addresses, breaks, strict=True)):
        if address.universe < 1:
            absolute = (address.universe - 1) * SLOTS + address.address
            wanted = "an absolute address from 1 is expected"
            reading.patch.problems.append(Problem(reading.file, None, f"{name} address", str(absolute), wanted))
            continue
        universe = _universe(reading, address.universe)
        if universe is None:
            continue
        if not 1 <= address.address <= 512:
            held = f"{address.universe}.{address.address}"
            wanted = "an address from 1 to 512 is expected"
            reading.patch.problems.append(Problem(reading.file, None, f"{name} address", held, wanted))
            continue
        reading.patch.fixtures.append(
            Fixture(
                name if index == 0 else f"{name} break {address.dmx_break}",
                universe,
                address.address,
                slots,
                profile_name,
                one_line(fixture.name or ""),
                position,
                faces_audience=faces_audience,
                file=reading.file,
                is_size_known=mode is not None and bool(mode.breaks),
            )
        )


def _name(reading: _Reading, fixture: Any) -> str:
    """The fixture's own number or name; where several share one (multipatch), each after the first is counted."""
    name = one_line(fixture.fixture_id or "")
    if name in ("", "0"):
        name = one_line(fixture.name or "") or fixture.uuid
    reading.names[name] += 1
    if reading.names[name] == 1:
        return str(name)
    reading.renamed += 1
    return f"{name} #{reading.names[name]}"


def _mode(reading: _Reading, fixture: Any) -> tuple[str, Mode | None]:
    """The profile's name in this house, and its mode; None where the house does not declare it."""
    spec, mode_name = fixture.gdtf_spec or "", fixture.gdtf_mode or ""
    name = one_line(f"{spec.removesuffix('.gdtf')} {mode_name}")
    declared = reading.own.find(name)
    if declared is not None:
        return declared.name, Mode(declared.name, {1: declared.slots}, declared.strobe_hz)
    mode = _type(reading, spec).modes.get(mode_name)
    if mode is not None and mode.breaks and not any(p.name == name for p in reading.patch.profiles):
        slots = tuple(role for number in sorted(mode.breaks) for role in mode.breaks[number])
        reading.patch.profiles.append(Profile(name, slots, mode.strobe_hz))
    return name, mode


def _type(reading: _Reading, spec: str) -> FixtureType:
    if spec not in reading.types:
        reading.types[spec] = FixtureType()
        if len(reading.types) > MAX_TYPES:
            raise reading.archive.refused(f"it uses more than {MAX_TYPES} fixture types")
        if spec in reading.archive.names:
            shown = f"{reading.file}/{spec}"
            try:
                data = reading.archive.read(spec, MAX_INNER_BYTES)
                reading.types[spec] = read_gdtf(shown, data, reading.elements)
            except HouseFileError as error:
                reading.patch.problems += error.problems
        elif spec:
            reading.patch.notes.append(f"{reading.file}: {spec} is not in the archive; its fixtures have no known mode")
    return reading.types[spec]


def _breaks(mode: Mode | None, numbers: list[int]) -> list[tuple[str, ...]] | None:
    """Roles for each address. MVR numbers breaks from 0 by default and GDTF from 1, so both are understood."""
    if mode is None or not mode.breaks:
        return [(EMPTY_SLOT,)] * len(numbers)
    if len(numbers) == 1 and len(mode.breaks) == 1:
        return list(mode.breaks.values())
    for shift in (0, 1):
        if all(number + shift in mode.breaks for number in numbers):
            return [mode.breaks[number + shift] for number in numbers]
    return None


def _universe(reading: _Reading, number: int) -> UniverseId | None:
    found = reading.addressing.table.get(str(number))
    if found is None:
        reading.missing[number] += 1
    return found


def _conclude(reading: _Reading) -> None:
    if reading.missing:
        numbers = sorted(reading.missing)
        shown, more = numbers[:MOST_NUMBERS], ", …" * (len(numbers) > MOST_NUMBERS)
        each = ", ".join(f'{number} = "e131/…"' for number in shown) + more
        wanted = f"declare which universe {'it' if len(numbers) == 1 else 'each'} is: [patch] universes = {{ {each} }}"
        universes = f"universe{'s' if len(numbers) > 1 else ''} {', '.join(map(str, shown))}{more}"
        held = f"MVR {universes} with {_count(reading.missing.total(), 'address', 'addresses')}"
        reading.patch.problems.append(Problem(reading.file, None, "patch.universes", held, wanted))
    if reading.unpatched:
        some = f"{reading.unpatched} fixtures have no address and are"
        some = "1 fixture has no address and is" if reading.unpatched == 1 else some
        reading.patch.notes.append(f"{reading.file}: {some} not patched")
    if reading.renamed:
        some = "1 fixture shares its" if reading.renamed == 1 else f"{reading.renamed} fixtures share their"
        counted = "is counted #2" if reading.renamed == 1 else "are counted #2, #3 …"
        reading.patch.notes.append(f"{reading.file}: {some} number with another and {counted}")
    types = sum(bool(one.modes) for one in reading.types.values())
    addresses = _count(len(reading.patch.fixtures), "address", "addresses")
    reading.patch.notes.insert(0, f"{reading.file}: {addresses} of {_count(types, 'fixture type', 'fixture types')}")


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
