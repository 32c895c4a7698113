"""Fixture modes from GDTF files (DIN SPEC 15800): the role of every slot of every break.

pygdtf reads the file; it is only given what was checked and bounded here first.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any
from xml.etree.ElementTree import Element

import pygdtf

from slotwatch.house.archive import CheckedArchive, Elements, repacked
from slotwatch.wire.universe import SLOTS

ROOT = "description.xml"
MAX_BREAKS = 64
MAX_OFFSETS = 4
"""Coarse, fine and two more: the most bytes that one channel has (DIN SPEC 15800, DMXChannel)."""
MAX_CHANNELS = 20_000
MAX_REFERENCES = 4096

_ROLES = {
    "Dimmer": "intensity",
    "Pan": "pan",
    "Tilt": "tilt",
    "ColorAdd_R": "red",
    "ColorAdd_G": "green",
    "ColorAdd_B": "blue",
    "ColorAdd_W": "white",
    "ColorAdd_WW": "warm-white",
    "ColorAdd_CW": "cool-white",
    "ColorAdd_RY": "amber",
    "ColorAdd_GY": "lime",
    "ColorAdd_C": "cyan",
    "ColorAdd_M": "magenta",
    "ColorAdd_Y": "yellow",
    "ColorAdd_UV": "ultraviolet",
    "ColorSub_C": "cyan",
    "ColorSub_M": "magenta",
    "ColorSub_Y": "yellow",
    "CTO": "colour-temperature",
    "CTC": "colour-temperature",
    "Zoom": "zoom",
    "Iris": "iris",
    "NoFeature": "",
}
"""Attributes of DIN SPEC 15800 annex A that have a word of their own here; others keep their name, in lower case."""
_STROBE = re.compile(r"Shutter\d*(Strobe\w*)?|StrobeRate|StrobeFrequency|StrobeModeStrobe")
_CONTROL = re.compile(
    r"Control\d*|LampControl(Mode)?|\w*Reset|LampPowerMode|DisplayIntensity|DMXInput|FixtureGlobalReset"
)
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|_")
_OFFSET = re.compile(r"\d{1,3}(,\d{1,3}){0,3}")
_START = re.compile(r"(?:\d{1,3}\.)?\d{1,3}")


@dataclass(frozen=True, slots=True)
class Mode:
    """One mode of a fixture type."""

    name: str
    breaks: dict[int, tuple[str, ...]]
    """Roles in order of each break, by the break's number (from 1)."""
    strobe_hz: tuple[float, float] | None = None


@dataclass(slots=True)
class FixtureType:
    """A fixture type with its modes by name."""

    modes: dict[str, Mode] = field(default_factory=dict)


def read_gdtf(file: str, data: bytes, together: Elements | None = None) -> FixtureType:
    """Read a GDTF file. HouseFileError with one line if it cannot be read or is not to be trusted.

    together: how many elements it and the other types of its scene may have.
    """
    archive = CheckedArchive(file, data, together)
    if ROOT not in archive.names:
        raise archive.refused(f"it has no {ROOT}, so it is not a GDTF file")
    root = archive.xml(ROOT)
    fault = _fault(root)
    if fault:
        raise archive.refused(fault)
    try:
        read = pygdtf.FixtureType(repacked(ROOT, root))
        return FixtureType({str(mode.name): _mode(mode) for mode in read.dmx_modes})
    except Exception as error:  # pygdtf lets whatever its parsing meets through: any of it means "not readable"
        raise archive.refused(f"pygdtf cannot read it: {type(error).__name__}: {error}") from None


def role(attribute: str, byte: int) -> str:
    """The role of a channel's byte (0 coarse, 1 fine, …) from its GDTF attribute."""
    word = _ROLES.get(attribute)
    if word is None:
        if _STROBE.fullmatch(attribute):
            word = "strobe"
        elif _CONTROL.fullmatch(attribute):
            word = "control"
        else:
            word = _CAMEL.sub("-", attribute).lower().strip("-")
    return word + ("", "-fine", "-fine-2", "-fine-3")[byte] if word else ""


def _mode(mode: Any) -> Mode:
    breaks: dict[int, dict[int, str]] = {}
    strobe_hz = None
    for channel in mode.dmx_channels:
        if channel.offset is None:
            continue
        attribute = str(channel.attribute)
        slots = breaks.setdefault(int(channel.dmx_break), {})
        for byte, offset in enumerate(channel.offset):
            slots[int(offset)] = role(attribute, byte)
        strobe_hz = strobe_hz or _strobe_hz(channel)
    return Mode(
        str(mode.name),
        {number: tuple(slots.get(at, "") for at in range(1, max(slots) + 1)) for number, slots in breaks.items()},
        strobe_hz,
    )


def _strobe_hz(channel: Any) -> tuple[float, float] | None:
    """Physical range in Hz of a strobe channel, where one function alone spans it upwards or downwards."""
    for logical in channel.logical_channels:
        for function in logical.channel_functions:
            if _STROBE.fullmatch(str(function.attribute)) and str(function.attribute) != "Shutter1":
                ends = (float(function.physical_from.value), float(function.physical_to.value))
                if 0 < max(ends) <= 100 and ends != (0.0, 1.0):
                    return ends
    return None


def _fault(root: Element) -> str:
    """What is hostile or broken enough that pygdtf should not see it; empty if nothing is."""
    channels = root.findall(".//DMXChannel")
    if len(channels) > MAX_CHANNELS:
        return f"it has more than {MAX_CHANNELS} channels"
    for channel in channels:
        offset = channel.get("Offset", "")
        if offset not in ("", "None") and (not _OFFSET.fullmatch(offset) or not _in_universe(offset.split(","))):
            return f"a channel has the offset {offset[:40]!r}; up to {MAX_OFFSETS} numbers from 1 to 512 are expected"
        number = channel.get("DMXBreak", "1")
        if number != "Overwrite" and not (number.isdecimal() and 1 <= int(number[:6]) <= MAX_BREAKS):
            return f"a channel has the break {number[:40]!r}; 1 to {MAX_BREAKS} or Overwrite is expected"
    for row in root.iter("Break"):
        start, number = row.get("DMXOffset", "1"), row.get("DMXBreak", "1")
        if not _START.fullmatch(start) or not _in_universe([start.rpartition(".")[2]]):
            return f"a geometry reference has the offset {start[:40]!r}; 1 to 512 is expected"
        if not number.isdecimal() or not 1 <= int(number[:6]) <= MAX_BREAKS:
            return f"a geometry reference has the break {number[:40]!r}; 1 to {MAX_BREAKS} is expected"
    return _reference_fault(root)


def _in_universe(numbers: list[str]) -> bool:
    return all(1 <= int(number) <= SLOTS for number in numbers)


def _reference_fault(root: Element) -> str:
    """Geometries that refer to themselves, or to so many others that the list would grow without end."""
    collect = root.find(".//Geometries")
    if collect is None:
        return ""
    named = {geometry.get("Name", ""): geometry for geometry in collect}
    refers = {n: [r.get("Geometry", "") for r in g.iter("GeometryReference")] for n, g in named.items()}
    sizes: dict[str, int] = {}

    def size(name: str, above: tuple[str, ...]) -> int:
        if name in above or len(above) > MAX_BREAKS:
            return MAX_REFERENCES + 1
        if name not in sizes:
            sizes[name] = min(
                MAX_REFERENCES + 1, 1 + sum(size(other, (*above, name)) for other in refers.get(name, ()))
            )
        return sizes[name]

    if any(size(name, ()) > MAX_REFERENCES for name in named):
        return "its geometries refer to themselves or to too many others"
    return ""
