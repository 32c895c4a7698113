"""The few desks, looks and house files that most scenarios share."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any
from uuid import UUID

from slotwatch.durations import NANOSECONDS
from slotwatch.rehearse.desk import ArtDesk, Desk, cid_of, outputs
from slotwatch.rehearse.looks import Look, held, moving
from slotwatch.rehearse.scenario import Paper
from slotwatch.wire.observation import Observation

MAIN = "192.0.2.10"
BACKUP = "192.0.2.11"
SECOND = "192.0.2.12"
CLONE = "192.0.2.13"
MEDIA = "192.0.2.30"
OTHER_MEDIA = "192.0.2.31"
NODE = "192.0.2.41"
GATEWAY = "192.0.2.45"
TOOL = "192.0.2.99"
"""A source that is not declared."""


def ns(seconds: float) -> int:
    return round(seconds * NANOSECONDS)


def moves(number: int) -> Look:
    """An effect that differs from universe to universe and steps at every frame up to 44 Hz."""
    return moving(offset=number * 5)


def rests(number: int) -> Look:
    return held(60 + number * 7 % 120)


def main_desk(numbers: Sequence[int] = (1, 2, 3), look: Callable[[int], Look] = moves, **options: Any) -> Desk:
    """`Desk A`, the main desk, on some universes."""
    return _desk("Desk A", MAIN, numbers, look, options)


def backup_desk(numbers: Sequence[int] = (1, 2, 3), look: Callable[[int], Look] = moves, **options: Any) -> Desk:
    """`Desk B`: by default in step with the main desk, at priority 90."""
    options.setdefault("priority", 90)
    options.setdefault("seed", 3)
    return _desk("Desk B", BACKUP, numbers, look, options)


def second_desk(numbers: Sequence[int] = (11,), look: Callable[[int], Look] = moves, **options: Any) -> Desk:
    """`House lights`: another main source."""
    options.setdefault("seed", 4)
    return _desk("House lights", SECOND, numbers, look, options)


def tool(numbers: Sequence[int], look: Callable[[int], Look] = rests, **options: Any) -> Desk:
    """A test tool on a laptop that is not declared."""
    options.setdefault("seed", 5)
    return _desk("Test", TOOL, numbers, look, options)


_OF_OUTPUT = (
    "priority",
    "options",
    "sync_address",
    "to",
    "continuous",
    "keep_alive_s",
    "slot_priorities",
    "paused",
    "pace",
)


def _desk(
    name: str, address: str, numbers: Sequence[int], look: Callable[[int], Look], options: dict[str, Any]
) -> Desk:
    of_output = {key: options.pop(key) for key in _OF_OUTPUT if key in options}
    return Desk(name, options.pop("address", address), outputs(numbers, look, **of_output), **options)


def media_server(numbers: Sequence[int] = (0,), look: Callable[[int], Look] = moves, **options: Any) -> ArtDesk:
    of_output = {key: options.pop(key) for key in _OF_OUTPUT if key in options}
    return ArtDesk("Media", options.pop("address", MEDIA), outputs(numbers, look, **of_output), **options)


_SOURCES = {
    "main": ("main desk", "Desk A", MAIN, 'role = "main"\npriority = 100\n'),
    "backup": ("backup desk", "Desk B", BACKUP, 'role = "backup"\nstandby = "sending"\npriority = 90\n'),
    "silent-backup": ("backup desk", "Desk B", BACKUP, 'role = "backup"\nstandby = "silent"\npriority = 90\n'),
    "equal-backup": ("backup desk", "Desk B", BACKUP, 'role = "backup"\nstandby = "sending"\npriority = 100\n'),
    "second": ("house lights", "House lights", SECOND, 'role = "main"\npriority = 100\n'),
    "media": ("media server", "", MEDIA, 'role = "main"\n'),
    "other-media": ("second media server", "", OTHER_MEDIA, 'role = "main"\n'),
}


def _source(key: str, by_cid: bool, by_address: bool) -> str:
    name, source_name, address, rest = _SOURCES[key]
    text = f'\n[[sources]]\nname = "{name}"\n'
    if source_name and by_cid:
        text += f'cid = "{UUID(bytes=cid_of(source_name))}"\n'
    if source_name:
        text += f'source_name = "{source_name}"\n'
    if by_address or not source_name:
        text += f'address = "{address}"\n'
    return text + rest


def _senders(protocol: str, number: int, e131: Sequence[int], sources: Sequence[str]) -> str:
    """Names of the sources that may send a universe: media servers Art-Net, house lights 11 where it is declared, desks
    the rest."""
    if protocol == "artnet":
        chosen = [key for key in sources if key.endswith("media")]
    elif "second" in sources and 11 in e131:
        chosen = [key for key in sources if (key == "second") == (number == 11) and not key.endswith("media")]
    else:
        chosen = [key for key in sources if not key.endswith("media")]
    return ", ".join(f'"{_SOURCES[key][0]}"' for key in chosen)


def paper(
    e131: Sequence[int] = (1, 2, 3),
    artnet: Sequence[int] = (),
    *,
    sources: Sequence[str] = ("main",),
    more: Mapping[int, str] | None = None,
    more_artnet: Mapping[int, str] | None = None,
    anyone: bool = False,
    by_cid: bool = True,
    by_address: bool = True,
    phase: str = "show",
    listen: str = "",
    networks: Sequence[str] = ("eth1",),
    extra: str = "",
    patch: str = "",
    circuits: str = "",
) -> Paper:
    """Write a house file. `more` adds lines to a universe; `listen` to [listen]; `patch` and `circuits` are CSV."""
    text = f'[house]\nname = "Rehearsed house"\nphase = "{phase}"\n\n[listen]\n'
    interfaces = ", ".join(f'"{name}"' for name in networks)
    text += f"interfaces = [{interfaces}]\n"
    text += f'protocols = ["e131", "artnet"]\n{listen}'
    text += "".join(_source(key, by_cid, by_address) for key in sources)
    for protocol, numbers, lines in (("e131", e131, more or {}), ("artnet", artnet, more_artnet or {})):
        for number in numbers:
            own = lines.get(number, "")
            text += f'\n[[universes]]\nprotocol = "{protocol}"\nnumber = {number}\n{own}'
            text += "" if anyone else f"sources = [{_senders(protocol, number, e131, sources)}]\n"
    files = []
    if patch:
        text += '\n[patch]\nfile = "patch.csv"\n'
        files.append(("patch.csv", patch))
    if circuits:
        text += '\n[circuits]\nfile = "circuits.csv"\n'
        files.append(("circuits.csv", circuits))
    return Paper(text + (f"\n{extra}" if extra else ""), tuple(files), tuple(e131), len(networks))


def seen(*observations: Observation) -> Iterator[Observation]:
    """Observations as a stream, put in order of time."""
    return iter(sorted(observations, key=lambda each: each.t_ns))
