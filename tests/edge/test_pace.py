"""Rests of judging: long while nothing is under way, on one grid with intake, short when much arrives."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from slotwatch.edge.channel import Channel, pair
from slotwatch.edge.pace import GRID_NS, LATE_NS, PAST_NS, WATCHED_FOR_NS, Pace

MS = 1_000_000
SETTLED_NS = 400 * MS
START_NS = 1_000 * GRID_NS + PAST_NS


@contextmanager
def pacing() -> Iterator[tuple[Pace, Channel]]:
    mine, theirs = pair()
    channel, intake = Channel(mine.detach()), Channel(theirs.detach())
    try:
        yield Pace(channel, START_NS), intake
    finally:
        channel.close()
        intake.close()


def test_a_settled_house_is_judged_right_after_intakes_turn() -> None:
    with pacing() as (pace, intake):
        for late_ms in (0, 7, 20, 60):
            now_ns = START_NS + late_ms * MS
            next_ns = now_ns + pace.rest_ms(now_ns, 0, SETTLED_NS) * MS
            assert 0 <= (next_ns - PAST_NS) % GRID_NS <= MS or (PAST_NS - next_ns) % GRID_NS <= MS
            assert 300 * MS <= next_ns - now_ns <= SETTLED_NS + PAST_NS
        assert intake.receive() == [{"do": "rest", "rest": True}], "said once"


def test_intake_is_told_again_once_it_woke_by_itself() -> None:
    with pacing() as (pace, intake):
        pace.rest_ms(START_NS, 0, SETTLED_NS)
        pace.intake_woke()
        pace.rest_ms(START_NS + SETTLED_NS, 0, SETTLED_NS)
        pace.rest_ms(START_NS + 2 * SETTLED_NS, 0, GRID_NS // 2)
        assert [said["rest"] for said in intake.receive()] == [True, True, False]


def test_who_looks_at_the_page_shortens_rests_for_a_while() -> None:
    with pacing() as (pace, _):
        pace.watch(START_NS)
        assert pace.rest_ms(START_NS, 0, SETTLED_NS) == 200
        now_ns = START_NS + WATCHED_FOR_NS
        assert pace.rest_ms(now_ns, 0, SETTLED_NS) == 400


@pytest.mark.parametrize(
    ("rows", "wanted_ms", "least_ms", "most_ms"),
    [
        (0, 50, 50, 50),
        (640, 400, 312, 412),  # 16 universes at 40 Hz
        (2_816, 400, 300, 364),  # 64 at 44 Hz: a full batch is there sooner
        (10_000, 400, 60, 150),
        (10_000, 50, 25, 26),
        (177_500, 400, 3, 6),  # a full gigabit
    ],
)
def test_the_more_arrives_the_sooner_is_the_next_turn(rows: int, wanted_ms: int, least_ms: int, most_ms: int) -> None:
    """rows: in the second that has just passed."""
    with pacing() as (pace, _):
        assert least_ms <= pace.rest_ms(START_NS + 1_000 * MS, rows, wanted_ms * MS) <= most_ms


def test_only_what_is_late_after_its_rest_is_a_stall() -> None:
    with pacing() as (pace, _):
        due_ns = START_NS + pace.rest_ms(START_NS, 0, SETTLED_NS) * MS
        assert pace.late_ns(due_ns + LATE_NS - MS) == 0
        assert pace.late_ns(due_ns + LATE_NS + 2 * MS) > LATE_NS
