"""Hours on, full-equivalent hours and switch counts, and the lamp-life band."""

from __future__ import annotations

import numpy as np
import pytest

from slotwatch.model.hours import Counted, Hours, life_band
from slotwatch.snapshot import LampHours

S = 1_000_000_000
THINGS = (Counted("circuit", "1", 400.0), Counted("circuit", "2"), Counted("fixture", "1"))


def counted(seconds: int, *levels: int, known: bool = True) -> Hours:
    hours = Hours(THINGS)
    for second in range(seconds + 1):
        hours.look(np.array(levels, np.uint8), np.full(3, known), (1000 + second) * S)
    return hours


def test_hours_on_and_full_equivalent_hours() -> None:
    hours = counted(3600, 255, 51, 0)
    assert [row.as_object() for row in hours.rows()] == [
        {
            "circuit": "1",
            "on_h": 1.0,
            "full_equivalent_h": 1.0,
            "switched_on": 1,
            "rated_life_h": 400.0,
            "band": "young",
        },
        {
            "circuit": "2",
            "on_h": 1.0,
            "full_equivalent_h": 0.2,
            "switched_on": 1,
            "rated_life_h": None,
            "band": None,
        },
    ]


@pytest.mark.parametrize(("level", "on"), [(12, 0.0), (13, 10.0)])
def test_five_percent_is_on(level: int, on: float) -> None:
    assert counted(10, level, 0, 0).on_s[0] == on


def test_nothing_is_counted_while_nothing_is_known() -> None:
    hours = counted(100, 255, 255, 255, known=False)
    assert not hours.rows() and not hours.on_s.any()


def test_a_pause_counts_five_seconds_at_most() -> None:
    hours = Hours(THINGS)
    for second in (0, 1, 1000):
        hours.look(np.full(3, 255, np.uint8), np.full(3, True), (1 + second) * S)
    assert hours.on_s[0] == 6.0


def test_switches_are_counted() -> None:
    hours = Hours(THINGS)
    for second in range(20):
        hours.look(np.full(3, 255 * (second // 5 % 2), np.uint8), np.full(3, True), (1 + second) * S)
    assert hours.switches.tolist() == [2, 2, 2]


def test_lamp_change_begins_anew() -> None:
    hours = counted(100, 255, 255, 255)
    assert hours.lamp_change("circuit 1", 5 * S).name == "1"
    assert [row.on_h for row in hours.rows()] == [0.0, 0.028, 0.028]
    with pytest.raises(ValueError, match="this house has no circuit 9"):
        hours.lamp_change("circuit 9", 0)


def test_restored_and_taken_over() -> None:
    hours = counted(3600, 255, 0, 255)
    again = Hours(THINGS)
    again.restore([*hours.rows(), LampHours("circuit", "gone", 5.0, 5.0, 1, None, None)])
    assert again.rows() == hours.rows()
    fewer = Hours(THINGS[2:])
    fewer.take_over(hours)
    assert fewer.on_s.tolist() == [3600.0]


@pytest.mark.parametrize(
    ("full_h", "on_h", "band"),
    [
        (100, 200, "young"),
        (300, 350, "ageing"),
        (200, 350, "young to ageing"),
        (399, 400, "ageing to due"),
        (520, 600, "overdue"),
    ],
)
def test_life_bands_of_400_hours(full_h: float, on_h: float, band: str) -> None:
    """Bands at 70, 100 and 130 % of the rated life: common practice, no source."""
    assert life_band(full_h, on_h, 400) == band
    assert life_band(full_h, on_h, None) is None
