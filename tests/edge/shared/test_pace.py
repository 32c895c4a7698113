"""Pauses of judging: long while nothing is under way, on one grid with intake, short when much arrives."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from slotwatch.edge.shared.channel import Channel, pair
from slotwatch.edge.shared.messages.intake import FROM_INTAKE, TO_INTAKE, FromIntake, Idle, ToIntake
from slotwatch.edge.shared.pace import BEHIND_ROWS, GATHERED_ROWS, GRID_NS, LATE_NS, PAST_NS, WATCHED_FOR_NS, Pace

MS = 1_000_000
SETTLED_NS = 400 * MS
START_NS = 1_000 * GRID_NS + PAST_NS


@contextmanager
def pacing() -> Iterator[tuple[Pace, Channel[FromIntake, ToIntake]]]:
    mine, theirs = pair()
    channel: Channel[ToIntake, FromIntake] = Channel(mine.detach(), FROM_INTAKE)
    intake: Channel[FromIntake, ToIntake] = Channel(theirs.detach(), TO_INTAKE)
    try:
        yield Pace(channel, START_NS), intake
    finally:
        channel.close()
        intake.close()


def judged_after_ms(pace: Pace, now_ns: int, rows: int, wanted_ns: int) -> int:
    """When the next turn judges, if nothing brings a change; every look until then lies on the grid."""
    at_ns = now_ns + pace.rest_ms(now_ns, rows, 0, wanted_ns) * MS
    while pace.may_rest(at_ns, 0):
        assert 0 <= (at_ns - PAST_NS) % GRID_NS <= MS or (PAST_NS - at_ns) % GRID_NS <= MS
        before_ns, at_ns = at_ns, at_ns + pace.look_again_ms(at_ns) * MS
        assert GRID_NS // 2 - MS <= at_ns - before_ns <= 3 * GRID_NS // 2
    return (at_ns - now_ns) // MS


def test_a_settled_house_is_looked_at_each_tenth_and_judged_each_four_tenths() -> None:
    with pacing() as (pace, intake):
        for late_ms in (0, 7, 20, 60):
            assert 300 <= judged_after_ms(pace, START_NS + late_ms * MS, 0, SETTLED_NS) <= 412
        assert intake.receive() == [Idle(may_idle=True)], "sent once"


def test_many_rows_end_idling() -> None:
    with pacing() as (pace, _):
        at_ns = START_NS + pace.rest_ms(START_NS, 0, 0, SETTLED_NS) * MS
        assert pace.may_rest(at_ns, GATHERED_ROWS - 1) and not pace.may_rest(at_ns, GATHERED_ROWS)


def test_intake_is_reported_again_once_it_woke_by_itself() -> None:
    with pacing() as (pace, intake):
        pace.rest_ms(START_NS, 0, 0, SETTLED_NS)
        pace.intake_woke()
        pace.rest_ms(START_NS + SETTLED_NS, 0, 0, SETTLED_NS)
        pace.rest_ms(START_NS + 2 * SETTLED_NS, 0, 0, GRID_NS // 2)
        assert intake.receive() == [Idle(may_idle=True), Idle(may_idle=True), Idle(may_idle=False)]


def test_an_open_page_shortens_idling_for_a_while() -> None:
    with pacing() as (pace, _):
        pace.watch(START_NS)
        assert 198 <= judged_after_ms(pace, START_NS, 0, SETTLED_NS) <= 200
        now_ns = START_NS + WATCHED_FOR_NS
        assert 396 <= judged_after_ms(pace, now_ns, 0, SETTLED_NS) <= 400


@pytest.mark.parametrize(
    ("rows", "wanted_ms", "least_ms", "most_ms"),
    [
        (0, 50, 50, 50),
        (640, 400, 390, 412),  # 16 universes at 40 Hz
        (2_816, 400, 300, 364),  # 64 at 44 Hz: a full batch is there sooner
        (10_000, 400, 60, 150),
        (10_000, 50, 50, 50),
        (177_500, 400, 15, 20),  # a full gigabit
    ],
)
def test_the_more_arrives_the_sooner_is_the_next_turn(rows: int, wanted_ms: int, least_ms: int, most_ms: int) -> None:
    """rows: in the second that has just passed."""
    with pacing() as (pace, _):
        assert least_ms <= judged_after_ms(pace, START_NS + 1_000 * MS, rows, wanted_ms * MS) <= most_ms


@pytest.mark.parametrize(
    ("waiting", "least_ms", "most_ms"),
    [
        (GATHERED_ROWS - 1, 35, 45),  # at the rate of the turn, 4,000 rows in 160 ms
        (GATHERED_ROWS, 15, 20),
        (BEHIND_ROWS - 1, 15, 20),
        (BEHIND_ROWS, 0, 0),
    ],
)
def test_what_came_during_a_long_turn_shortens_the_rest_after_it(waiting: int, least_ms: int, most_ms: int) -> None:
    """A storm begins: 4,000 rows come after 100 ms without any, and judging them takes 60 ms."""
    with pacing() as (pace, _):
        at_ns = START_NS + 160 * MS
        assert least_ms <= pace.rest_ms(at_ns, 4_000, waiting, SETTLED_NS) <= most_ms


def test_only_a_late_turn_after_idling_is_a_stall() -> None:
    with pacing() as (pace, _):
        due_ns = START_NS + pace.rest_ms(START_NS, 0, 0, SETTLED_NS) * MS
        assert pace.late_ns(due_ns + LATE_NS - MS) == 0
        assert pace.late_ns(due_ns + LATE_NS + 2 * MS) > LATE_NS
