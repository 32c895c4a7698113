"""The Harbour Street Playhouse at work: a main desk, its backup and a media server play a show for ever.

The levels follow the declared patch, so that only patched slots are used: hot power stays at full, control
slots stay at 0, movers move in 16 bits, and what faces the audience never flashes.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import DeclaredSource, Fixture, House
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.desk import FOREVER, ArtDesk, Desk, SentUniverse
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.stage import Item
from slotwatch.wire.universe import Protocol, UniverseId

Levels = NDArray[np.float64]

CUE_S = 12.0
"""A cue is taken every 12 s: some seconds of fade, then rest or movement."""
FADE_S = 3.0
CUES = 6

_COLOURS = frozenset(("red", "green", "blue", "white", "amber", "cyan", "magenta", "yellow"))
_MOVERS = ("pan", "tilt")
_STILL = frozenset(("non-dim", "control", "strobe", "gobo-rotation", "prism"))


@dataclass(frozen=True, slots=True)
class _Part:
    """What one universe's slots do: columns are slot indices from 0."""

    cues: Levels
    """(CUES, 512) levels of each cue."""
    waved: NDArray[np.intp]
    """Slots that run a slow colour wave in moving cues."""
    coarse: NDArray[np.intp]
    fine: NDArray[np.intp]
    """Their fine slots, or 512 where they have none."""
    moves: tuple[bool, ...]
    """Which cues move."""


def _part(fixtures: list[Fixture], seed: int, moves: tuple[bool, ...]) -> _Part:
    cues = np.zeros((CUES, 512))
    waved: list[int] = []
    coarse: list[int] = []
    fine: list[int] = []
    chance = Chance(seed)
    for fixture in fixtures:
        lit = [chance.unit() < 0.6 for _ in range(CUES)]
        roles = dict(zip(fixture.slots, range(fixture.address - 1, fixture.last_slot), strict=True))
        for role, slot in zip(fixture.slots, range(fixture.address - 1, fixture.last_slot), strict=True):
            if role == "non-dim":
                cues[:, slot] = 255
            elif role in _STILL or role.endswith("-fine"):
                continue
            elif role == "intensity":
                cues[:, slot] = [round(chance.between(60, 200)) if on else 0 for on in lit]
            elif role in _MOVERS:
                coarse.append(slot)
                fine.append(roles.get(f"{role}-fine", 512))
                cues[:, slot] = round(chance.between(70, 180))
            else:
                cues[:, slot] = [round(chance.between(20, 230)) for _ in lit]
                if role in _COLOURS:
                    waved.append(slot)
    # The last cue is the blackout before the interval: only hot power stays.
    keep = np.zeros(512, bool)
    for fixture in fixtures:
        for role, slot in zip(fixture.slots, range(fixture.address - 1, fixture.last_slot), strict=True):
            keep[slot] = role == "non-dim"
    cues[-1, ~keep] = 0
    return _Part(cues, np.array(waved, np.intp), np.array(coarse, np.intp), np.array(fine, np.intp), moves)


def _levels(part: _Part, t_s: float) -> bytes:
    number = int(t_s // CUE_S)
    inside_s = t_s - number * CUE_S
    cue = number % CUES
    before, after = part.cues[(cue - 1) % CUES], part.cues[cue]
    share = min(inside_s / FADE_S, 1.0)
    levels = np.append(after if share >= 1.0 else before + (after - before) * share, 0.0)
    if part.moves[cue]:
        levels[part.waved] = 128 + 100 * np.sin(t_s * 1.1 + part.waved * 0.21)
        turned = levels[part.coarse] + 24 * math.sin(2 * math.pi * inside_s / CUE_S) * share
        levels[part.fine] = np.floor((turned - np.floor(turned)) * 256)
        levels[part.coarse] = turned
    frame: bytes = np.clip(np.floor(levels[:512]), 0, 255).astype(np.uint8).tobytes()
    return frame


def _outputs(house: House, protocol: Protocol, name: str, priority: int = 100) -> tuple[SentUniverse, ...]:
    made = []
    for declared in house.universes:
        universe = declared.id
        if universe.protocol is not protocol or (declared.sources and name not in declared.sources):
            continue
        part = _part(_fixtures(house, universe), universe.number + protocol * 97, _moves(universe))
        made.append(SentUniverse(universe.number, lambda t_s, part=part: _levels(part, t_s), priority))  # type: ignore[misc]
    return tuple(made)


def _fixtures(house: House, universe: UniverseId) -> list[Fixture]:
    return [fixture for fixture in house.fixtures if fixture.universe == universe]


def _moves(universe: UniverseId) -> tuple[bool, ...]:
    """Which of its cues move: racks never, the others every second one, shifted by universe."""
    if universe == UniverseId(Protocol.E131, 1):
        return (False,) * CUES
    return tuple((cue + universe.number) % 2 == 0 and cue != CUES - 1 for cue in range(CUES))


def declared_source(house: House, name: str) -> DeclaredSource:
    return next(source for source in house.sources if source.name == name)


def main_desk(house: House, start_s: float = 0.0, stop_s: float = FOREVER) -> Desk:
    return _desk(house, "main desk", start_s, stop_s)


def backup_desk(house: House) -> Desk:
    return _desk(house, "backup desk", 0.0, FOREVER)


def _desk(house: House, name: str, start_s: float, stop_s: float) -> Desk:
    source = declared_source(house, name)
    outputs = _outputs(house, Protocol.E131, name, 100 if source.priority is None else source.priority)
    return Desk(
        source.source_name or name,
        source.address or "127.0.0.10",
        outputs,
        cid=source.cid or b"",
        start_s=start_s,
        stop_s=stop_s,
        port=house.listen.e131_port,
        seed=len(name),
    )


def media_server(house: House) -> ArtDesk:
    name = "media server"
    source = declared_source(house, name)
    outputs = _outputs(house, Protocol.ARTNET, name)
    return ArtDesk("Media", source.address or "127.0.0.30", outputs, port=house.listen.artnet_port)


HEALTHY_S = 60.0
DEAD_S = 12.0


@dataclass(frozen=True, slots=True)
class DemoNotice:
    """What a rehearsal says to its audience, at its place in time."""

    t_ns: int
    text: str


def demo_show(house: House) -> Iterator[Item | DemoNotice]:
    """The show of the demo: a healthy minute, then the main desk dies for 12 s and comes back, for ever."""
    series: tuple[Iterable[Item | DemoNotice], ...] = (
        _announcements(),
        _main_desk_that_dies(house),
        backup_desk(house).sends(),
        media_server(house).sends(),
    )
    return heapq.merge(*series, key=lambda item: item.t_ns)


def _announcements() -> Iterator[DemoNotice]:
    for turn in itertools.count(1):
        back_s = turn * (HEALTHY_S + DEAD_S)
        yield DemoNotice(round((back_s - DEAD_S) * NANOSECONDS), "rehearsed fault: the main desk loses its power")
        yield DemoNotice(round(back_s * NANOSECONDS), "rehearsed fault over: the main desk is back")


def _main_desk_that_dies(house: House) -> Iterator[Sent]:
    for turn in itertools.count():
        start_s = turn * (HEALTHY_S + DEAD_S)
        yield from main_desk(house, start_s, start_s + HEALTHY_S).sends()
