"""Figures of shows, and their median and median absolute deviation."""

from __future__ import annotations

import random
import statistics
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from slotwatch.model.usual import ShowFigures, Usual, show_of, usual_figures, usual_of
from slotwatch.snapshot.minutes import MinuteRow, StreamMinute

MINUTE = MinuteRow(0, "e131/1", 2376, 40.0, 30.0, 24, 1, 0)
MOVING = StreamMinute("desk", 0, 2400, 0, 2399, 40.0, 25.0, 27.0, 28.0, 30.0)


def show_figures(minutes: list[MinuteRow]) -> ShowFigures | None:
    found = show_of(minutes)
    return None if found is None else found.figures


def moving(*p99_ms: float, first: int = 0) -> list[MinuteRow]:
    """A minute each, of a source whose 99th percentile is this."""
    return [
        replace(MINUTE, minute=first + number, streams=(replace(MOVING, p99_ms=value),))
        for number, value in enumerate(p99_ms)
    ]


def test_the_textbook_example() -> None:
    # The usual example of a MAD, from memory: 1, 1, 2, 2, 4, 6, 9 has the median 2 and the deviations' median 1.
    assert usual_of([1, 1, 2, 2, 4, 6, 9]) == Usual(2.0, 1.0, 1.0, 9.0, 7)


def test_it_is_the_median_of_another_library() -> None:
    # Peer: the standard library's statistics.median.
    chance = random.Random(7)
    for _ in range(200):
        values = [chance.gauss(40, 3) for _ in range(chance.randint(1, 20))]
        median = statistics.median(values)
        found = usual_of(values)
        assert found.median == pytest.approx(median)
        assert found.mad == pytest.approx(statistics.median(abs(value - median) for value in values))
        assert found.mad == pytest.approx(median_abs_deviation(values))


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
    assert usual_figures([figures] * 5)["refresh_hz"] == Usual(40.0, 0.0, 40.0, 40.0, 5)


def test_percentiles_of_a_show_are_the_medians_of_its_minutes() -> None:
    values = [28.0, 29.0, 61.0, 27.0, 30.0, 26.0, 31.0, 29.0, 28.0, 90.0, 27.0]
    found = show_figures(moving(*values))
    assert found is not None
    assert (found.interval_p99_ms, found.interval_p50_ms, found.moving_hz) == (np.median(values), 25.0, 40.0)
    assert found.active_percent == 100.0


def test_sustained_is_what_the_worst_five_minutes_never_leave() -> None:
    """Worked out by hand: of 40, 50, 60, 45, 55 the least is 40; one minute of 90 alone is not sustained."""
    found = show_figures(moving(*[28.0] * 10, 40.0, 50.0, 60.0, 45.0, 55.0, *[28.0] * 5, 90.0, *[28.0] * 5))
    assert found is not None
    assert found.sustained_p99_ms == 40.0


def test_minutes_that_are_not_in_a_row_are_not_sustained() -> None:
    rows = moving(*[28.0] * 10) + moving(60.0, 60.0, 60.0, first=20) + moving(60.0, 60.0, first=30)
    found = show_figures(rows)
    assert found is not None
    assert found.sustained_p99_ms == 28.0


def test_each_source_of_a_show_has_its_own_figures() -> None:
    backup = replace(MOVING, source="backup", rank=1, p99_ms=50.0)
    rows = [replace(row, streams=(*row.streams, backup)) for row in moving(*[28.0] * 10)]
    found = show_of(rows)
    assert found is not None
    assert found.source == "desk"
    assert found.by_source is not None
    assert {source: one.interval_p99_ms for source, one in found.by_source.items()} == {"desk": 28.0, "backup": 50.0}


def test_shows_of_an_older_history_have_no_percentiles() -> None:
    older, newer = show_figures([MINUTE] * 10), show_figures(moving(*[28.0] * 10))
    assert older is not None
    assert newer is not None
    found = usual_figures([older] * 3 + [newer] * 4)
    assert (found["refresh_hz"].shows, "interval_p99_ms" in found) == (7, False)
    assert usual_figures([older] * 3 + [newer] * 5)["interval_p99_ms"].shows == 5
