"""What can be seen of a backup's levels while they move, and at what speed. Thresholds: common practice, no source."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from slotwatch.house.schema import DeclaredSource
from tests.judge.stage import Desk, Levels, Stage, house_of
from tests.sweep import swept

MAIN = DeclaredSource("main desk", address="10.0.0.1", role="main", priority=100)
BACKUP = DeclaredSource("spare desk", address="10.0.0.2", role="backup", priority=90)
NAMES = ("main desk", "spare desk")
Wave = Callable[[float], float]


def sine(turn: float) -> float:
    return 0.5 + 0.5 * math.sin(2 * math.pi * turn)


def triangle(turn: float) -> float:
    return 1 - abs(turn % 1 * 2 - 1)


def square(turn: float) -> float:
    return float(turn % 1 < 0.5)


def effect(
    wave: Wave, period_s: float, spread: float, apart: int = 0, slots: int = 0, behind_s: float = 0.0, first: int = 0
) -> Levels:
    """Return 96 slots that run through `wave`, spread over a part of its period; some lie `apart` higher."""

    def levels(t: float) -> bytes:
        turn = (t - behind_s) / period_s
        plain = [20 + 150 * wave(turn + spread * slot / 96) for slot in range(96)]
        return bytes(round(level + apart * (first <= slot < first + slots)) for slot, level in enumerate(plain))

    return levels


def rules(main: Levels, backup: Levels, hz: float = 40.0, phase_s: float = 0.0) -> list[str]:
    desks = (
        Desk("Desk A", (1,), levels=main, hz=hz),
        Desk("Desk B", (1,), "10.0.0.2", 2, 90, levels=backup, hz=hz, phase_s=phase_s),
    )
    shown = Stage(house_of((1,), sources=(MAIN, BACKUP), by=NAMES), *desks).run(26.0)
    return sorted({incident.rule for incident in shown.all})


@pytest.mark.parametrize(
    ("wave", "spread", "period_s", "apart"),
    swept(
        [
            *((sine, 0.0, 2.0, 40), (sine, 1.0, 2.0, 40), (triangle, 0.0, 2.0, 40), (triangle, 1.0, 2.0, 40)),
            *((sine, 0.0, 4.0, 30), (triangle, 1.0, 4.0, 30), (sine, 1.0, 1.0, 60), (triangle, 0.0, 1.0, 60)),
        ],
        every=3,
    ),
)
def test_some_slots_apart_are_reported_while_all_move(wave: Wave, spread: float, period_s: float, apart: int) -> None:
    """40 of 96 slots, further apart than 5 % and 40 ms of their speed."""
    assert rules(effect(wave, period_s, spread), effect(wave, period_s, spread, apart, 40)) == ["backup-differs"]


@pytest.mark.parametrize(
    ("wave", "behind_s", "period_s", "hz"),
    swept(
        [
            *((sine, 0.0, 2.0, 40.0), (sine, 0.19, 2.0, 40.0), (sine, 0.11, 0.25, 33.0), (sine, 0.11, 0.7, 25.0)),
            *((triangle, 0.03, 3.1, 25.0), (triangle, 0.19, 0.7, 40.0), (triangle, 0.11, 0.25, 33.0)),
            *(
                (square, 0.0, 0.7, 40.0),
                (square, 0.19, 0.7, 40.0),
                (square, 0.11, 0.25, 33.0),
                (square, 0.03, 3.1, 25.0),
            ),
        ],
        every=4,
    ),
)
def test_a_backup_that_is_only_late_is_in_step(wave: Wave, behind_s: float, period_s: float, hz: float) -> None:
    assert rules(effect(wave, period_s, 1.0), effect(wave, period_s, 1.0, behind_s=behind_s), hz, 0.007) == []
