"""Healthy shows by the dozen: a seed draws desks, rates, cues, backups and media servers that obey their standards.

Each is a show without a fault, so every alarm in it is a false one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import backup_desk, main_desk, media_server, paper, second_desk
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.desk import Desk
from slotwatch.rehearse.looks import Look, changed_at, chased, faded, held, late, moving, scene
from slotwatch.rehearse.scenario import Scenario, Truth
from slotwatch.rehearse.stage import Item, mixed

SECONDS = 60.0
RATES_HZ = (25.0, 30.0, 33.0, 40.0, 44.0)


def any_look(chance: Chance, until_s: float = SECONDS) -> Look:
    """Draw cues one after another: rests, fades, effects and chases, 2 to 14 s each."""
    cues: list[tuple[float, Look]] = []
    t_s = 0.0
    level = chance.below(200)
    while t_s < until_s:
        kind = chance.below(6)
        length_s = chance.between(2.0, 14.0)
        if kind == 0:
            cues.append((t_s, held(level)))
        elif kind == 1:
            wanted = chance.below(256)
            cues.append((t_s, faded(t_s, chance.between(0.0, 1.0) * length_s + 0.1, level, wanted)))
            level = wanted
        elif kind in (2, 3):
            cues.append((t_s, moving(chance.between(22.0, 44.0), chance.below(64))))
        elif kind == 4:
            cues.append((t_s, chased(chance.between(0.06, 1.5))))
        else:
            cues.append((t_s, scene(chance.below(1000))))
        t_s += length_s
    return changed_at(*cues)


def any_show(seed: int) -> Scenario:
    """Draw one healthy show and the house that declares it."""
    chance = Chance(seed * 7919 + 17)
    numbers = tuple(range(1, 2 + chance.below(8)))
    looks = {number: any_look(chance) for number in numbers}
    hz = RATES_HZ[chance.below(len(RATES_HZ))]
    common: dict[str, Any] = {"hz": hz, "keep_alive_s": chance.between(0.8, 1.0), "continuous": chance.below(4) == 0}
    if chance.below(4) == 0:
        common["slot_priorities"] = held(100)
    if chance.below(4) == 0:
        common |= {"sync_address": 500, "sync_hz": hz}
    main = main_desk(numbers, lambda number: looks[number], **common)
    shows: list[Any] = [main]
    sources = ["main"]
    if chance.below(2):
        lag_s = chance.between(0.0, 0.12)
        common.pop("sync_hz", None)
        common.pop("sync_address", None)
        shows.append(backup_desk(numbers, lambda number: late(looks[number], lag_s), **common))
        sources.append("backup")
    artnet: tuple[int, ...] = ()
    if chance.below(2):
        artnet = tuple(range(chance.below(3) + 1))
        art_looks = {number: any_look(chance) for number in artnet}
        shows.append(
            media_server(artnet, lambda number: art_looks[number], sequenced=bool(chance.below(3)), polls=True)
        )
        sources.append("media")
    if chance.below(2):
        house_light = any_look(chance)
        shows.append(second_desk((11,), lambda _: house_light))
        sources.append("second")
    e131 = (*numbers, 11) if "second" in sources else numbers

    def items() -> Iterator[Item]:
        sent = mixed(*(each.sends(SECONDS) for each in (_seeded(show, seed) for show in shows)))
        jitter = Chance(seed)
        return stage.delayed(sent, lambda _: jitter.between(0.0, 0.002), 0.002)

    title = f"{len(shows)} sources, {len(e131) + len(artnet)} universes, {hz:g} Hz"
    return Scenario(f"any-{seed}", "", title, items, SECONDS, paper(e131, artnet, sources=sources), Truth())


def _seeded(show: Any, seed: int) -> Any:
    """The same sender with a jitter of its own."""
    return replace(show, seed=show.seed + seed * 31, jitter_us=400.0) if isinstance(show, Desk) else show
