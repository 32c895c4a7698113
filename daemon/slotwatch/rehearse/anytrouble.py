"""Shows with up to three faults at once: a seed draws a house at work and what goes wrong with it, and when.

What a listener must find there is not declared. Whatever it says must not contradict itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import BACKUP, MAIN, SECOND, backup_desk, main_desk, paper, second_desk, tool
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.desk import Desk
from slotwatch.rehearse.looks import changed_at, held, moving
from slotwatch.rehearse.scenario import Scenario, Truth
from slotwatch.rehearse.stage import Item, mixed

SECONDS = 50.0
NUMBERS = (1, 2, 3, 4, 5, 6)
Trouble = Callable[[Iterator[Item], Chance, float, float], Iterator[Item]]


def _cut(items: Iterator[Item], chance: Chance, at_s: float, to_s: float) -> Iterator[Item]:
    return stage.cut(items, at_s, to_s)


def _cut_source(items: Iterator[Item], chance: Chance, at_s: float, to_s: float) -> Iterator[Item]:
    return stage.cut(items, at_s, to_s, stage.sender((MAIN, BACKUP, SECOND)[chance.below(3)]))


def _cut_universes(items: Iterator[Item], chance: Chance, at_s: float, to_s: float) -> Iterator[Item]:
    first = 1 + chance.below(6)
    return stage.cut(items, at_s, to_s, stage.universes(*range(first, min(7, first + 1 + chance.below(3)))))


def _lossy(items: Iterator[Item], chance: Chance, at_s: float, to_s: float) -> Iterator[Item]:
    return stage.lossy(items, 0.02 + 0.3 * chance.unit(), 1 + chance.below(99), at_s, to_s)


def _doubled(items: Iterator[Item], chance: Chance, at_s: float, to_s: float) -> Iterator[Item]:
    return stage.doubled(items, 1 + chance.below(3), 0.0006, at_s, to_s, stage.sender(MAIN))


def _intruder(items: Iterator[Item], chance: Chance, at_s: float, to_s: float) -> Iterator[Item]:
    on = 1 + chance.below(6)
    priority = (90, 100, 100, 150)[chance.below(4)]
    given = held(150) if chance.below(2) else None
    desk = tool((on,), priority=priority, start_s=at_s, stop_s=to_s, slot_priorities=given)
    return mixed(items, desk.sends(SECONDS))


def _stranger(items: Iterator[Item], chance: Chance, at_s: float, to_s: float) -> Iterator[Item]:
    return mixed(items, tool((NUMBERS[chance.below(6)] + 100,), start_s=at_s, stop_s=to_s).sends(SECONDS))


TROUBLES: tuple[Trouble, ...] = (_cut, _cut_source, _cut_universes, _lossy, _doubled, _intruder, _stranger)


def _restarted(desk: Desk, chance: Chance, at_s: float) -> tuple[Desk, ...]:
    """The desk to a moment, and again a while later with other sequence numbers."""
    again = replace(desk, start_s=at_s + chance.between(0.5, 6.0), first_sequence=chance.below(256))
    return replace(desk, stop_s=at_s, closes=bool(chance.below(2))), again


def any_trouble(seed: int) -> Scenario:
    """Draw a house with main, backup and house lights, and up to three things that go wrong with it."""
    chance = Chance(seed * 104_729 + 5)
    level = chance.below(200)
    look = (
        (lambda number: moving(offset=number * 5))
        if chance.below(2)
        else (lambda number: changed_at((0.0, held(level)), (3.0 + number * 0.13, held(level + 20))))
    )
    desks: list[Desk] = [main_desk(NUMBERS, look), backup_desk(NUMBERS, look), second_desk((11,), look)]
    titles = []
    if chance.below(3) == 0:
        which = chance.below(2)
        desk = desks.pop(which)
        desks += _restarted(desk, chance, chance.between(8.0, 30.0))
        titles.append(f"{desk.name} restarts")
    troubles = []
    for _ in range(1 + chance.below(3)):
        trouble = TROUBLES[chance.below(len(TROUBLES))]
        at_s = chance.between(5.0, 35.0)
        lasts_s = (0.5, 2.2, 4.0, 9.0, 100.0)[chance.below(5)]
        troubles.append((trouble, 1 + chance.below(10_000), at_s, at_s + lasts_s))
        titles.append(f"{trouble.__name__[1:].replace('_', ' ')} at {at_s:.1f} s for {lasts_s:g} s")

    def items() -> Iterator[Item]:
        going = mixed(*(desk.sends(SECONDS) for desk in desks))
        for trouble, draw, at_s, to_s in troubles:
            going = trouble(going, Chance(draw), at_s, to_s)
        return going

    house = paper(
        (*NUMBERS, 11),
        sources=("main", "backup", "second"),
        more={number: f'label = "Label {number}"\n' for number in NUMBERS},
    )
    return Scenario(f"trouble-{seed}", "", "; ".join(titles), items, SECONDS, house, Truth())
