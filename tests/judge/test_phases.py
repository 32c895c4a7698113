"""The severity of each class in each phase, and when the phase may change by itself."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from slotwatch.house.occasions import DarkTerms
from slotwatch.house.schema import Accepted, Phase, Quiet, TimetableRow
from slotwatch.judge import phases
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.phases import PhaseKeeper
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import START_NS, Desk, S, Stage, house_of

# The published table of classes, written out again: dark, get-in, rehearsal, pre-show, show, post-show.
TABLE = {
    "universe-lost": "1 1 2 3 3 1",  # loss, critical
    "packet-loss": "1 1 1 2 2 1",  # flow, warning
    "source-conflict": "2 2 3 3 3 2",  # control, critical
    "non-dim-partial": "1 2 3 3 3 2",  # patch, critical
    "malformed-packets": "2 2 2 2 2 2",  # storm
    "link-down": "1 3 3 3 3 3",  # self: note for link, join, querier in dark
    "join-failed": "1 3 3 3 3 3",
    "querier-absent": "1 2 2 2 2 2",
    "host-overrun": "2 2 2 2 2 2",
    "stray-levels": "1 1 1 1 1 1",  # a note everywhere
    "unlike-usual": "1 1 1 1 1 1",  # a note; what matters before a show is one more, see test_unlike_usual
}
PHASES = [Phase.DARK, Phase.GET_IN, Phase.REHEARSAL, Phase.PRE_SHOW, Phase.SHOW, Phase.POST_SHOW]
LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize("name", TABLE)
def test_each_class_has_the_severity_of_the_table(name: str) -> None:
    rule = CATALOG[name]
    assert [int(phases.grade(rule, rule.severity, phase)) for phase in PHASES] == [int(n) for n in TABLE[name].split()]


EVERY_DAY = tuple(range(7))
ROWS = (
    TimetableRow((4, 5), time(18, 55), Phase.PRE_SHOW),
    TimetableRow((4, 5), time(19, 30), Phase.SHOW),
    TimetableRow((5, 6), time(0, 30), Phase.DARK),  # past midnight: belongs to the day it falls on
)
HOUSE = replace(house_of((1,)), timetable=ROWS, time_zone="Europe/London")
OPEN = (lambda: False, lambda: "Still sent: universe e131/1.")
CLOSED = (lambda: True, lambda: "")


@pytest.mark.parametrize(
    ("at", "phase"),
    [
        (datetime(2026, 11, 27, 18, 54, 59, tzinfo=LONDON), Phase.DARK),
        (datetime(2026, 11, 27, 18, 55, tzinfo=LONDON), Phase.PRE_SHOW),
        (datetime(2026, 11, 27, 19, 30, tzinfo=LONDON), Phase.SHOW),
        (datetime(2026, 11, 28, 0, 29, 59, tzinfo=LONDON), Phase.SHOW),
        (datetime(2026, 11, 28, 0, 30, tzinfo=LONDON), Phase.DARK),
        (datetime(2026, 12, 2, 12, 0, tzinfo=LONDON), Phase.DARK),
        # In July 19:30 in London is 18:30 UTC; in November it is 19:30 UTC.
        (datetime(2026, 7, 3, 18, 29, 59, tzinfo=UTC), Phase.PRE_SHOW),
        (datetime(2026, 7, 3, 18, 30, tzinfo=UTC), Phase.SHOW),
        (datetime(2026, 11, 27, 18, 30, tzinfo=UTC), Phase.DARK),
    ],
)
def test_the_timetable_follows_days_and_the_houses_own_clock(at: datetime, phase: Phase) -> None:
    due = phases.scheduled(HOUSE, at, LONDON)
    assert due is not None
    assert due[1] is phase


def test_times_that_the_clocks_skip_or_repeat() -> None:
    """Summer time begins on 2026-03-29 at 01:00 and ends on 2026-10-25 at 02:00 in London."""
    rows = (TimetableRow(EVERY_DAY, time(1, 30), Phase.DARK), TimetableRow(EVERY_DAY, time(12), Phase.GET_IN))
    house = replace(HOUSE, timetable=rows)
    skipped = phases.scheduled(house, datetime(2026, 3, 29, 1, 31, tzinfo=UTC), LONDON)
    assert skipped == (datetime(2026, 3, 29, 1, 0, tzinfo=UTC), Phase.DARK)
    first = phases.scheduled(house, datetime(2026, 10, 25, 0, 30, tzinfo=UTC), LONDON)
    assert first == (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), Phase.DARK)
    assert phases.scheduled(house, datetime(2026, 10, 25, 1, 31, tzinfo=UTC), LONDON) == first


def test_rows_in_the_skipped_hour_keep_their_order_before_what_follows() -> None:
    """01:00 is followed by 02:00: what was due between is due then, and a row at 02:00 has the last word."""
    rows = [TimetableRow(EVERY_DAY, time(1, 30), Phase.DARK), TimetableRow(EVERY_DAY, time(1, 10), Phase.GET_IN)]
    skip = datetime(2026, 3, 29, 1, 0, tzinfo=UTC)
    for more, phase in (((), Phase.DARK), ((TimetableRow(EVERY_DAY, time(2), Phase.SHOW),), Phase.SHOW)):
        for written in ((*rows, *more), (*more, *rows)):
            house = replace(HOUSE, timetable=written)
            assert phases.scheduled(house, skip + timedelta(hours=1), LONDON) == (skip, phase)
            before = phases.scheduled(house, skip - timedelta(microseconds=1), LONDON)
            assert before is not None and before[0].date() == datetime(2026, 3, 28, tzinfo=UTC).date()


def test_severities_rise_by_themselves_and_fall_only_when_closed_or_confirmed() -> None:
    keeper = PhaseKeeper(Phase.DARK, 0)
    friday = datetime(2026, 11, 27, 18, 0, tzinfo=LONDON)
    keeper.follow(HOUSE, 0, friday, LONDON, *OPEN)
    keeper.follow(HOUSE, 1, friday.replace(hour=18, minute=55), LONDON, *OPEN)
    assert keeper.phase is Phase.PRE_SHOW
    keeper.follow(HOUSE, 2, friday.replace(hour=19, minute=30), LONDON, *OPEN)
    assert keeper.phase is Phase.SHOW
    midnight = datetime(2026, 11, 28, 0, 30, tzinfo=LONDON)
    reason = keeper.follow(HOUSE, 3, midnight, LONDON, *OPEN)
    assert (keeper.phase, keeper.pending) == (Phase.SHOW, Phase.DARK)
    assert reason == (
        "The timetable asks for dark; it waits until all sources have closed or a person confirms. "
        "Still sent: universe e131/1."
    )
    assert keeper.follow(HOUSE, 4, midnight, LONDON, *OPEN) == ""
    keeper.follow(HOUSE, 5, midnight.replace(minute=31), LONDON, *CLOSED)
    assert (keeper.phase, keeper.pending) == (Phase.DARK, None)


@pytest.mark.parametrize(
    ("running", "asked"),
    [
        (Phase.SHOW, None),  # its 18:55 is past: the show runs
        (Phase.PRE_SHOW, None),
        (Phase.POST_SHOW, None),
        (Phase.GET_IN, Phase.PRE_SHOW),  # it raises severity by itself
    ],
)
def test_a_timetable_that_is_added_asks_for_nothing_that_the_day_is_past(running: Phase, asked: Phase | None) -> None:
    at_19 = int(datetime(2026, 11, 27, 19, 0, tzinfo=LONDON).timestamp()) * S
    stage = Stage(house_of((1,)), phase=running)
    stage.judge.wall_offset_ns = at_19 - START_NS
    stage.run(1)
    with_timetable = replace(stage.house, timetable=ROWS, time_zone="Europe/London")
    stage.judge.take_house(with_timetable, stage.now_ns)
    stage.run(4)
    view = stage.judge.house_view(stage.now_ns)
    assert (stage.judge.phase, view.phase_pending) == (asked or running, "")
    assert [event.what for event in stage.events if event.what == "phase"] == (["phase"] if asked else [])
    # From its next change on it is followed, 19:30 in the evening.
    stage.judge.wall_offset_ns += 1800 * S
    stage.run(6)
    assert stage.judge.phase is Phase.SHOW


def test_a_request_of_a_timetable_that_is_gone_is_gone() -> None:
    keeper = PhaseKeeper(Phase.SHOW, 0)
    midnight = datetime(2026, 11, 28, 0, 29, tzinfo=LONDON)
    keeper.follow(HOUSE, 0, midnight, LONDON, *OPEN)
    keeper.follow(HOUSE, 1, midnight.replace(minute=31), LONDON, *OPEN)
    assert keeper.pending is Phase.DARK
    keeper.take_timetable(HOUSE, midnight.replace(minute=32), LONDON)
    assert keeper.pending is Phase.DARK
    keeper.take_timetable(replace(HOUSE, timetable=()), midnight.replace(minute=33), LONDON)
    assert keeper.pending is None


U1, U2 = (UniverseId(Protocol.E131, number) for number in (1, 2))


@pytest.mark.parametrize(
    ("on", "ends", "phase"),
    [
        ((U1,), {"to_s": 20.0, "terminate": True}, Phase.DARK),
        ((U1,), {"to_s": 20.0}, Phase.SHOW),  # it did not say that it ends
        ((U1,), {}, Phase.SHOW),  # the show runs late
        ((), {"to_s": 20.0, "terminate": True}, Phase.SHOW),
        ((U1, U2), {}, Phase.SHOW),  # what may go on proves nothing
    ],
)
def test_lights_that_stay_on_do_not_hold_up_the_timetable(
    on: tuple[UniverseId, ...], ends: dict[str, float], phase: Phase
) -> None:
    """A house whose ghost light is sent all night: it stayed in `show`, and what was switched off was critical."""
    house = replace(HOUSE, universes=house_of((1, 2)).universes, dark=DarkTerms(("ghost light",), on))
    all_night = Desk("house lights", (1,), "10.0.0.2", 2, hz=4.0)
    stage = Stage(house, all_night, Desk("desk", (2,), hz=4.0, **ends), phase=Phase.SHOW)  # type: ignore[arg-type]
    at_0_29 = int(datetime(2026, 11, 28, 0, 29, tzinfo=LONDON).timestamp()) * S
    stage.judge.wall_offset_ns = at_0_29 - START_NS
    assert stage.run(50.0).judge.phase is Phase.SHOW
    assert stage.run(70.0).judge.phase is phase


def test_house_lights_in_no_patch_go_on_and_the_timetable_says_what_it_waits_for() -> None:
    """An architectural controller that sends all night: the event names its universe until [dark] does."""
    declared = house_of((1, 2)).universes
    house = replace(HOUSE, universes=(replace(declared[0], label="House lights"), declared[1]))
    for dark, phase in ((DarkTerms(), Phase.SHOW), (DarkTerms(universes=(U1,)), Phase.DARK)):
        controller = Desk("house controller", (1,), "10.0.0.2", 2, hz=4.0)
        desk = Desk("desk", (2,), hz=4.0, to_s=20.0, terminate=True)
        stage = Stage(replace(house, dark=dark), controller, desk, phase=Phase.SHOW)
        at_0_29 = int(datetime(2026, 11, 28, 0, 29, tzinfo=LONDON).timestamp()) * S
        stage.judge.wall_offset_ns = at_0_29 - START_NS
        stage.run(70.0)
        assert stage.judge.phase is phase
        (said,) = (event.text for event in stage.events if event.what == "phase")
        waits = "The timetable asks for dark; it waits until all sources have closed or a person confirms."
        still = "Still sent: universe House lights (e131/1)."
        assert said == ("Phase dark (was show), by the timetable." if dark.universes else f"{waits} {still}")


def test_a_quiet_window_ends_by_itself_and_never_mutes_storms_or_own_faults() -> None:
    start, end = datetime(2026, 11, 27, 14, tzinfo=UTC), datetime(2026, 11, 27, 15, tzinfo=UTC)
    house = replace(HOUSE, quiet=(Quiet(start, end),))
    rule = CATALOG["universe-lost"]
    assert phases.quiet_window(house, rule, start) is not None
    assert phases.quiet_window(house, rule, end) is None
    assert phases.quiet_until(house, start) == end
    for name in ("malformed-packets", "repeated-packets", "link-down", "host-overrun", "source-conflict"):
        assert phases.quiet_window(house, CATALOG[name], start) is None
    only = replace(HOUSE, quiet=(Quiet(start, end, ("slow-refresh",)),))
    assert phases.quiet_window(only, rule, start) is None
    assert phases.quiet_window(only, CATALOG["slow-refresh"], start) is not None


def test_an_accepted_exception_covers_its_universes_until_its_last_day_is_over() -> None:
    wall = UniverseId(Protocol.E131, 40)
    row = Accepted("fast-refresh", "pixel wall, 60 Hz by design", (wall,), date(2027, 1, 31))
    house = replace(HOUSE, accepted=(row,))
    evening = datetime(2027, 1, 31, 23, 30, tzinfo=LONDON)
    assert phases.accepted(house, "fast-refresh", (wall,), evening) is row
    assert phases.accepted(house, "fast-refresh", (wall, UniverseId(Protocol.E131, 1)), evening) is None
    assert phases.accepted(house, "slow-refresh", (wall,), evening) is None
    # As documented: "Where the house has several networks, `e131/12@A`"
    there = replace(HOUSE, accepted=(replace(row, networks=(1,)),))
    assert phases.accepted(there, "fast-refresh", (wall,), evening, (1,)) is there.accepted[0]
    assert phases.accepted(there, "fast-refresh", (wall, wall), evening, (0, 1)) is None
    assert phases.accepted(house, "fast-refresh", (wall,), datetime(2027, 2, 1, 0, 30, tzinfo=LONDON)) is None
