"""Figures of shows, and their median and median absolute deviation."""

from __future__ import annotations

import random
import statistics
from dataclasses import replace

import pytest

from slotwatch.model.usual import Usual, show_figures, usual_figures, usual_of
from slotwatch.snapshot import MinuteRow

MINUTE = MinuteRow(0, "e131/1", 2376, 40.0, 30.0, 24, 1, 0)


def test_the_textbook_example() -> None:
    # The usual example of a MAD, from memory: 1, 1, 2, 2, 4, 6, 9 has the median 2 and the deviations' median 1.
    assert usual_of([1, 1, 2, 2, 4, 6, 9]) == Usual(2.0, 1.0)


def test_it_is_the_median_of_another_library() -> None:
    # Peer: the standard library's statistics.median.
    chance = random.Random(7)
    for _ in range(200):
        values = [chance.gauss(40, 3) for _ in range(chance.randint(1, 20))]
        median = statistics.median(values)
        found = usual_of(values)
        assert found.median == pytest.approx(median)
        assert found.mad == pytest.approx(statistics.median(abs(value - median) for value in values))


def test_a_shows_figures_leave_out_what_was_not_judged() -> None:
    odd = replace(MINUTE, refresh_hz=1.0, worst_gap_ms=9000.0, lost_frames=9999, not_judged_s=2.0)
    longer = replace(MINUTE, worst_gap_ms=70.0, sources=2)
    found = show_figures([MINUTE] * 9 + [longer, odd, replace(MINUTE, frames=0)])
    # 24 of 2,376 + 24 is 1 %
    assert found is not None
    assert (found.refresh_hz, found.longest_gap_ms, found.missing_percent, found.sources) == (40.0, 70.0, 1.0, 2)
    assert show_figures([MINUTE] * 9 + [odd]) is None


def test_fewer_than_five_shows_say_nothing() -> None:
    figures = show_figures([MINUTE] * 10)
    assert figures is not None
    assert usual_figures([figures] * 4) == {}
    assert usual_figures([figures] * 5)["refresh_hz"] == Usual(40.0, 0.0)
