"""A report holds what was kept while this computer's clock was ahead, though it is dated later than now."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from slotwatch.durations import MILLISECOND_NS
from slotwatch.edge.front.clock_ahead import ClockStep, TimeAhead, times_ahead
from slotwatch.edge.front.history import History
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.edge.front.reporting import gather, span_of
from slotwatch.house.schema import House
from slotwatch.snapshot.health import ClockStepRow, ListenerHealth, NotJudgedRow
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.views.answers.report import ShowReport
from slotwatch.views.moments import iso_wall
from slotwatch.views.records import record
from tests.edge.front.test_history import FOR_EVER, WALL_MS, path  # noqa: F401
from tests.views.fabricate import NOW_NS, SECOND_NS, WALL_OFFSET_NS, incident, snapshot

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
NOW_MS = WALL_MS
SET_MS = NOW_MS - 10 * MINUTE_MS
"""When the clock was set back by an hour, by the clock as it is since."""


def dated(number: int, at_ms: int, *, closed_ms: int | None = None) -> dict[tuple[int, int], object]:
    kept = record(incident(number, timeline=()))
    kept["began_wall_ns"] = kept["opened_wall_ns"] = at_ms * MILLISECOND_NS
    kept["closed_wall_ns"] = None if closed_ms is None else closed_ms * MILLISECOND_NS
    return {(number, at_ms): kept}


def report(path: Path, since_ms: int, until_ms: int = NOW_MS, now_ms: int = NOW_MS) -> ShowReport:  # noqa: F811
    return gather(
        Archive(path), House(), since_ms * MILLISECOND_NS, until_ms * MILLISECOND_NS, "", now_ms * MILLISECOND_NS
    )


@pytest.fixture
def house_with_an_hour_ahead(path: Path) -> Path:  # noqa: F811
    """Of the last half hour the first 20 minutes were dated an hour ahead. One show began and one incident closed in
    them; one incident of a week ago is dated years ahead."""
    path.parent.mkdir()
    ahead_ms = HOUR_MS
    store = Store(path)
    store.write(
        Pending(
            incidents={
                **dated(3, NOW_MS + 4 * 365 * 24 * HOUR_MS, closed_ms=NOW_MS + 4 * 365 * 24 * HOUR_MS + 1000),
                **dated(7, NOW_MS - 25 * MINUTE_MS + ahead_ms, closed_ms=NOW_MS - 20 * MINUTE_MS + ahead_ms),
                **dated(8, NOW_MS - 5 * MINUTE_MS, closed_ms=NOW_MS - 4 * MINUTE_MS),
            },  # type: ignore[arg-type]
            marks=[(NOW_MS - 15 * MINUTE_MS + ahead_ms, "house open", "Ann")],
            phases={
                NOW_MS - 20 * HOUR_MS: "show",
                NOW_MS - 18 * HOUR_MS: "dark",
                NOW_MS - 28 * MINUTE_MS + ahead_ms: "show",
            },
            not_judged={(NOW_MS - 22 * MINUTE_MS + ahead_ms, "lo"): (NOW_MS - 21 * MINUTE_MS + ahead_ms, "link-down")},
            minutes=[MinuteRow((NOW_MS - 24 * MINUTE_MS + ahead_ms) // MINUTE_MS, "e131/1", 2640, 44.0, 31, 0, 1, 5)],
            clock_steps=[(NOW_MS - 7 * 24 * HOUR_MS, -5 * 365 * 24 * HOUR_MS)],
        )
    )
    store.write(Pending(clock_steps=[(SET_MS, -HOUR_MS)], phases={SET_MS + MINUTE_MS: "interval"}))
    store.close()
    return path


def test_the_report_of_now_holds_what_the_clock_dated_ahead(house_with_an_hour_ahead: Path) -> None:
    found = report(house_with_an_hour_ahead, NOW_MS - 30 * MINUTE_MS)
    assert [one["id"] for one in found.incidents] == [8, 7], "and nothing of last week, which is dated years ahead"
    assert [entry["text"] for entry in found.incidents[1]["timeline"] if entry["what"] == "clock"] == [
        "The clock of this computer was set back by 60 min. Times of this incident are by the clock as it was."
    ]
    assert [one["text"] for one in found.marks] == ["house open"]
    assert [one.reason for one in found.not_judged] == ["link-down"]
    assert [(one.universe, one.minutes) for one in found.universes] == [("e131/1", 1)]
    began_at = iso_wall((NOW_MS - 28 * MINUTE_MS) * MILLISECOND_NS)
    assert [(one.at, one.phase) for one in found.phases[-2:]] == [
        (began_at, "show"),
        (iso_wall((SET_MS + MINUTE_MS) * MILLISECOND_NS), "interval"),
    ]


def test_a_span_is_of_the_clock_of_now(house_with_an_hour_ahead: Path) -> None:
    late = report(house_with_an_hour_ahead, NOW_MS - 12 * MINUTE_MS)
    assert [one["id"] for one in late.incidents] == [8] and late.marks == [] and late.not_judged == []
    early = report(house_with_an_hour_ahead, NOW_MS - 30 * MINUTE_MS, NOW_MS - 23 * MINUTE_MS)
    assert [one["id"] for one in early.incidents] == [7] and early.marks == [] and early.not_judged == []
    for now_ms in (NOW_MS, NOW_MS + 2 * HOUR_MS):
        span = span_of(Archive(house_with_an_hour_ahead), None, None, now_ms * MILLISECOND_NS)
        assert span[:2] == tuple(ms * MILLISECOND_NS for ms in (NOW_MS - 28 * MINUTE_MS, SET_MS + MINUTE_MS))


def test_once_that_time_has_come_all_is_listed_by_its_date_and_once(house_with_an_hour_ahead: Path) -> None:
    later_ms = NOW_MS + 2 * HOUR_MS
    found = report(house_with_an_hour_ahead, NOW_MS - 30 * MINUTE_MS, later_ms, later_ms)
    assert sorted(one["id"] for one in found.incidents) == [7, 8] and len(found.marks) == 1
    assert sum(one.minutes for one in found.universes) == 1


@pytest.mark.parametrize(
    ("steps", "wanted"),
    [
        ([], []),
        ([(SET_MS, HOUR_MS)], []),  # forward: what came before is dated too early, and not later than now
        ([(SET_MS, -5 * MINUTE_MS)], []),  # what it showed has come meanwhile
        ([(SET_MS, -HOUR_MS)], [TimeAhead(NOW_MS, SET_MS + HOUR_MS, HOUR_MS, (SET_MS, -HOUR_MS))]),
        ([(SET_MS - 1, -HOUR_MS), (SET_MS, HOUR_MS)], []),  # it is as far ahead now as it was
        (
            [(SET_MS - MINUTE_MS, -2 * HOUR_MS), (SET_MS, -HOUR_MS)],
            [
                TimeAhead(NOW_MS, SET_MS + HOUR_MS, HOUR_MS, (SET_MS, -HOUR_MS)),
                TimeAhead(
                    SET_MS + HOUR_MS,
                    SET_MS - MINUTE_MS + 2 * HOUR_MS,
                    3 * HOUR_MS,
                    (SET_MS - MINUTE_MS, -2 * HOUR_MS),
                ),
            ],
        ),
        (  # an hour ahead, then three hours: it jumped over what lies between
            [(SET_MS - HOUR_MS // 2 + 3 * HOUR_MS, 2 * HOUR_MS), (SET_MS, -3 * HOUR_MS)],
            [
                TimeAhead(SET_MS + 150 * MINUTE_MS - 1, SET_MS + 3 * HOUR_MS, 3 * HOUR_MS, (SET_MS, -3 * HOUR_MS)),
                TimeAhead(NOW_MS, SET_MS + 30 * MINUTE_MS, HOUR_MS, (SET_MS - HOUR_MS // 2 + 3 * HOUR_MS, 2 * HOUR_MS)),
            ],
        ),
        (  # five hours ahead, then two hours: of those five it showed one again
            [(SET_MS + HOUR_MS, -3 * HOUR_MS), (SET_MS, -2 * HOUR_MS)],
            [
                TimeAhead(SET_MS + HOUR_MS - 1, SET_MS + 2 * HOUR_MS, 2 * HOUR_MS, (SET_MS, -2 * HOUR_MS)),
                TimeAhead(SET_MS + 2 * HOUR_MS, SET_MS + 4 * HOUR_MS, 5 * HOUR_MS, (SET_MS + HOUR_MS, -3 * HOUR_MS)),
                TimeAhead(NOW_MS, SET_MS + HOUR_MS - 1, 5 * HOUR_MS, (SET_MS + HOUR_MS, -3 * HOUR_MS)),
            ],
        ),
    ],
)
def test_which_times_the_clock_was_ahead_in(steps: list[ClockStep], wanted: list[TimeAhead]) -> None:
    assert list(times_ahead(steps, NOW_MS)) == wanted


def test_a_report_holds_what_was_kept_before_each_of_three_steps(path: Path) -> None:  # noqa: F811
    """The clock was an hour ahead, then three hours, then two, then right. A mark was made in each of those times,
    and an incident was open from the first to the last of them."""
    path.parent.mkdir()
    steps = [(-30, 2 * HOUR_MS, 3), (-20, -HOUR_MS, 2), (-10, -2 * HOUR_MS, 0)]
    store = Store(path)
    store.write(
        Pending(
            incidents={**dated(5, NOW_MS - 40 * MINUTE_MS + HOUR_MS)},  # type: ignore[arg-type]
            marks=[
                (NOW_MS + at * MINUTE_MS + hours * HOUR_MS, str(hours), "")
                for at, hours in ((-35, 1), (-25, 3), (-15, 2))
            ],
        )
    )
    store.write(Pending(clock_steps=[(NOW_MS + at * MINUTE_MS + hours * HOUR_MS, by) for at, by, hours in steps]))
    store.close()
    found = report(path, NOW_MS - HOUR_MS)
    assert [one["text"] for one in found.marks] == ["1", "3", "2"]
    assert [one["id"] for one in report(path, NOW_MS - 12 * MINUTE_MS).incidents] == [5]


async def test_steps_and_what_was_not_judged_around_them_are_kept(path: Path) -> None:  # noqa: F811
    """A link was down from 20 s before the clock was set back until 5 s after: one time of 25 s, by the clock as it
    was."""
    history = History(path, FOR_EVER)
    down = NotJudgedRow(NOW_NS - 30 * SECOND_NS, None, "lo", "link-down")
    before = snapshot(now_ns=NOW_NS - 11 * SECOND_NS, wall_offset_ns=WALL_OFFSET_NS + 3600 * SECOND_NS)
    before.house.listener = ListenerHealth(not_judged=(down,))
    history.note(before)
    after = snapshot()
    after.house.listener = ListenerHealth(
        not_judged=(replace(down, end_ns=NOW_NS - 5 * SECOND_NS),),
        clock_steps=(ClockStepRow(NOW_NS - 10 * SECOND_NS, -3600 * SECOND_NS),),
    )
    history.note(after)
    history.close()
    archive = Archive(path)
    assert archive.clock_steps() == [(WALL_MS - 10_000, -HOUR_MS)]
    start_ms = WALL_MS - 30_000 + HOUR_MS
    assert archive.not_judged(0, 1 << 62) == [(start_ms, start_ms + 25_000, "lo", "link-down")]
    assert archive.odd.count == 0
