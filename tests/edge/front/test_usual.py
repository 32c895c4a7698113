"""What is usual, out of a history file: shows with an incident on the universe and short ones do not count."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import theilslopes

from slotwatch.edge.front import usual_keeper as module
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_shows import UsualRows
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.edge.front.usual import Worked, gather_usual, missing_shows, shows_between, work_out_house, work_out_show
from slotwatch.edge.shared.messages import Done
from slotwatch.edge.shared.messages.orders import FrontOrder, FrontResult, Noted, TakeUsual
from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, Fixture, House, Line, Network
from slotwatch.snapshot.minutes import MinuteRow, StreamMinute
from slotwatch.views.records import record
from slotwatch.wire.observation import UsualFigure
from slotwatch.wire.universe import Protocol, UniverseId
from tests.edge.crossing import crossed
from tests.edge.front_house import running
from tests.views.fabricate import incident, snapshot

DAY, FIRST, LENGTH = 24 * 60, 29_000_000, 30
"""In minutes: a day, the first show's first minute (in 2025), how long a show is."""


def history(path: Path, rates: list[float], *, bad: int | None = None, runs: bool = False) -> Archive:
    """A show a day at these rates; on day `bad` with an incident on the universe; the last still runs if `runs`."""
    store, pending = Store(path), Pending()
    for day, rate in enumerate(rates):
        begin = FIRST + day * DAY
        pending.phases[begin * 60_000] = "show"
        if not (runs and day == len(rates) - 1):
            pending.phases[(begin + LENGTH) * 60_000] = "dark"
        for minute in range(LENGTH):
            pending.minutes.append(MinuteRow(begin + minute, "e131/1", 2400, rate, 30.0, 0, 1, 0))
        # Outside the show, which must not count.
        pending.minutes.append(MinuteRow(begin + LENGTH + 5, "e131/1", 60, 1.0, 9000.0, 50, 1, 0))
    if bad is not None:
        opened_ns = (FIRST + bad * DAY + 5) * 60 * 1_000_000_000
        times = {"began_ns": opened_ns, "opened_ns": opened_ns, "closed_ns": opened_ns + 1, "wall_offset_ns": 0}
        pending.incidents[(7, 0)] = record(incident(universes=("e131/1",), explains=(), timeline=(), **times))
    store.write(pending)
    store.close()
    return Archive(path)


def _figure(median: float, mad: float, lowest: float, highest: float) -> dict[str, float]:
    return {"median": median, "mad": mad, "lowest": lowest, "highest": highest, "shows": 5}


def now_ms(day: int) -> int:
    return (FIRST + day * DAY + LENGTH + 10) * 60_000


def test_the_median_of_the_shows(tmp_path: Path) -> None:
    archive = history(tmp_path / "h.db", [40.0, 41.0, 42.0, 43.0, 10.0])
    found = gather_usual(archive, "e131/1", now_ms(4))
    # Of 10, 40, 41, 42, 43: median 41; deviations 31, 1, 0, 1, 2: median 1
    assert (found["shows"], found["figures"]["refresh_hz"]) == (5, _figure(41.0, 1.0, 10.0, 43.0))
    assert found["figures"]["longest_gap_ms"] == _figure(30.0, 0.0, 30.0, 30.0)
    assert found["tonight"] is None


def test_a_night_with_an_incident_on_the_universe_does_not_count(tmp_path: Path) -> None:
    archive = history(tmp_path / "h.db", [40.0, 40.0, 40.0, 40.0, 40.0, 5.0], bad=5)
    found = gather_usual(archive, "e131/1", now_ms(5))
    assert (found["shows"], [one["reason"] for one in found["left_out"]]) == (5, ["incident"])
    assert found["figures"]["refresh_hz"] == _figure(40.0, 0.0, 40.0, 40.0)


def test_there_are_no_figures_until_five_shows_count(tmp_path: Path) -> None:
    found = gather_usual(history(tmp_path / "h.db", [40.0] * 5, bad=2), "e131/1", now_ms(4))
    assert (found["shows"], found["figures"]) == (4, {})


def test_the_show_that_runs_is_tonight_and_does_not_count(tmp_path: Path) -> None:
    found = gather_usual(history(tmp_path / "h.db", [40.0] * 5 + [20.0], runs=True), "e131/1", now_ms(5) - 15 * 60_000)
    assert found["tonight"] is not None
    assert (found["shows"], found["tonight"]["refresh_hz"]) == (5, 20.0)


def test_another_universe_has_no_shows(tmp_path: Path) -> None:
    found = gather_usual(history(tmp_path / "h.db", [40.0] * 5), "e131/2", now_ms(4))
    assert (found["shows"], {one["reason"] for one in found["left_out"]}) == (0, {"too-short"})


# --- a house that stays in `show` -----------------------------------------------------------------------------------


def always_in_show(path: Path, days: list[float], *, hours: tuple[int, int] = (9, 23)) -> Archive:
    """In the phase show from the first day on; the desk is on for some hours a day, at these rates."""
    store, pending = Store(path), Pending()
    pending.phases[FIRST * 60_000] = "show"
    for day, rate in enumerate(days):
        for minute in range(0, DAY, 1):
            on = hours[0] * 60 <= minute < hours[1] * 60
            row = MinuteRow(FIRST + day * DAY + minute, "e131/1", 2400 * on, rate * on, 30.0, 0, 1, 0 if on else 7)
            pending.minutes.append(row)
        lost_ns = (FIRST + day * DAY + hours[1] * 60) * 60 * 1_000_000_000 + 2_500_000_000
        times = {"began_ns": lost_ns, "opened_ns": lost_ns, "closed_ns": lost_ns + 10 * 3600 * 10**9 + 13 * 10**9}
        found = incident(7 + day, universes=("e131/1",), explains=(), timeline=(), wall_offset_ns=0, **times)
        pending.incidents[(7 + day, lost_ns // 1_000_000)] = record(found)
    store.write(pending)
    store.close()
    return Archive(path)


def test_a_house_that_stays_in_show_has_a_show_a_day_between_its_absences(tmp_path: Path) -> None:
    """Each night the desk is switched off: a loss that no day's figures suffer from."""
    archive = always_in_show(tmp_path / "h.db", [40.0, 41.0, 42.0, 43.0, 44.0])
    now = (FIRST + 5 * DAY + 3 * 60) * 60_000
    ended, running = shows_between(archive, now)
    minutes = [(since // 60_000 - FIRST, until // 60_000 - FIRST) for since, until in ended]
    assert minutes == [(day * DAY + 9 * 60 + 2, day * DAY + 23 * 60 - 1) for day in range(5)]
    assert running is None
    found = gather_usual(archive, "e131/1", now)
    assert (found["shows"], found["left_out"]) == (5, [])
    assert found["figures"]["refresh_hz"] == _figure(42.0, 1.0, 40.0, 44.0)


def test_the_day_that_runs_is_tonight(tmp_path: Path) -> None:
    archive = always_in_show(tmp_path / "h.db", [40.0] * 6)
    now = (FIRST + 5 * DAY + 20 * 60) * 60_000
    ended, running = shows_between(archive, now)
    assert (len(ended), running) == (5, (FIRST + 5 * DAY + 9 * 60 + 2) * 60_000)
    assert gather_usual(archive, "e131/1", now)["tonight"] is not None


def test_a_short_absence_and_an_ordinary_show_split_nothing(tmp_path: Path) -> None:
    """A desk that restarts in the afternoon, and one that stays on for ever: the first is one day, the second none."""
    archive = always_in_show(tmp_path / "h.db", [40.0] * 3, hours=(0, 24))
    now = (FIRST + 3 * DAY) * 60_000
    assert shows_between(archive, now) == ([], (FIRST + 2) * 60_000)
    ordinary = history(tmp_path / "o.db", [40.0] * 3)
    assert [until - since for since, until in shows_between(ordinary, now)[0]] == [LENGTH * 60_000] * 3


def test_a_part_whose_beginning_is_forgotten_is_no_other_show(tmp_path: Path) -> None:
    archive = always_in_show(tmp_path / "h.db", [40.0] * 4)
    whole = shows_between(archive, (FIRST + 4 * DAY) * 60_000)[0]
    with closing(sqlite3.connect(tmp_path / "h.db")) as db, db:
        db.execute("DELETE FROM minutes WHERE minute < ?", (FIRST + DAY + 12 * 60,))
    assert shows_between(Archive(tmp_path / "h.db"), (FIRST + 4 * DAY) * 60_000)[0] == whole[2:]


# --- what is kept ---------------------------------------------------------------------------------------------------


DESK, OTHER_DESK = "6f1c2a70-0000-4000-8000-000000000001", "10.20.0.9"


def paced(path: Path, p99_ms: list[float], *, desks: list[str] | None = None) -> tuple[Archive, Store]:
    """A show a day of a source that moves at 40 Hz, with these 99th percentiles."""
    store, pending = Store(path), Pending()
    for day, value in enumerate(p99_ms):
        begin = FIRST + day * DAY
        pending.phases[begin * 60_000] = "show"
        pending.phases[(begin + LENGTH) * 60_000] = "dark"
        source = (desks or [DESK] * len(p99_ms))[day]
        for minute in range(LENGTH):
            stream = StreamMinute(source, 0, 2400, 0, 2399, 40.0, 25.0, 26.0, value, value + 2)
            pending.minutes.append(MinuteRow(begin + minute, "e131/1", 2400, 40.0, value, 0, 1, 5, 0.0, (stream,)))
    store.write(pending)
    return Archive(path), store


def brought_up_to_date(archive: Archive, store: Store, house: House, now: int) -> Worked:
    """What the daemon does after a show, once."""
    for span in missing_shows(archive, now):
        store.write(Pending(usual=work_out_show(archive, span)))
    worked = work_out_house(archive, house, now)
    store.write(Pending(usual=worked.new))
    return worked


def house_of(**changes: Any) -> House:
    universe = DeclaredUniverse(UniverseId(Protocol.E131, 1), "Front", ("desk",))
    given = {"universes": (universe,), "sources": (DeclaredSource("desk", priority=100),), **changes}
    return House(networks=(Network("A", "lo"),), **given)


def test_figures_are_kept_and_outlive_the_minutes(tmp_path: Path) -> None:
    archive, store = paced(tmp_path / "h.db", [26.0, 27.0, 28.0, 29.0, 31.0])
    before = brought_up_to_date(archive, store, house_of(), now_ms(4)).standings["e131/1"]
    assert (before.source, before.figures["interval_p99_ms"].median) == (DESK, 28.0)
    while store.forget(1 << 60):
        pass
    assert archive.minutes_of_all(0, 1 << 40) == {}
    assert missing_shows(archive, now_ms(4)) == [], "what can no longer be worked out stays as it is"
    assert work_out_house(archive, house_of(), now_ms(4)).standings["e131/1"] == before
    found = gather_usual(archive, "e131/1", now_ms(4))
    assert found["figures"]["sustained_p99_ms"] == _figure(28.0, 1.0, 26.0, 31.0)
    store.close()


def test_figures_of_an_older_method_are_worked_out_anew(tmp_path: Path) -> None:
    archive, store = paced(tmp_path / "h.db", [26.0] * 5)
    brought_up_to_date(archive, store, house_of(), now_ms(4))
    old = archive.usual()
    odd = {key: replace(row, method=0, show=None, reason="too-short") for key, row in old.shows.items()}
    store.write(Pending(usual=UsualRows(odd)))
    assert len(missing_shows(archive, now_ms(4))) == 5
    brought_up_to_date(archive, store, house_of(), now_ms(4))
    assert archive.usual() == old
    store.close()


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"sources": (DeclaredSource("desk", priority=120),)}, "its declared sources changed"),
        ({"fixtures": (Fixture("12", UniverseId(Protocol.E131, 1), 1, ("dimmer",)),)}, "the patch changed"),
        ({"universes": (DeclaredUniverse(UniverseId(Protocol.E131, 1), shared=True),)}, "its declaration changed"),
    ],
)
def test_a_changed_house_begins_anew_and_says_why(changes: dict[str, Any], why: str, tmp_path: Path) -> None:
    archive, store = paced(tmp_path / "h.db", [26.0] * 6)
    brought_up_to_date(archive, store, house_of(), now_ms(5))
    worked = brought_up_to_date(archive, store, house_of(**changes), now_ms(5))
    standing = worked.standings["e131/1"]
    assert (len(standing.counted), standing.figures) == (0, {})
    assert why in standing.restarted_why
    found = gather_usual(archive, "e131/1", now_ms(5))
    assert found["restarted"] is not None
    assert found["restarted"]["why"] == standing.restarted_why
    assert {one["reason"] for one in found["left_out"]} == {"before-change"}
    # The same house once more changes nothing.
    assert brought_up_to_date(archive, store, house_of(**changes), now_ms(6)).new.starts == {}
    store.close()


def test_a_new_label_changes_nothing(tmp_path: Path) -> None:
    archive, store = paced(tmp_path / "h.db", [26.0] * 5)
    brought_up_to_date(archive, store, house_of(), now_ms(4))
    renamed = house_of(universes=(DeclaredUniverse(UniverseId(Protocol.E131, 1), "Stalls", ("desk",)),))
    assert len(brought_up_to_date(archive, store, renamed, now_ms(4)).standings["e131/1"].counted) == 5
    store.close()


def test_another_desk_begins_anew(tmp_path: Path) -> None:
    desks = [DESK] * 6 + [OTHER_DESK] * 2
    archive, store = paced(tmp_path / "h.db", [26.0] * 8, desks=desks)
    standing = brought_up_to_date(archive, store, house_of(), now_ms(7)).standings["e131/1"]
    assert (standing.source, len(standing.counted), standing.restarted_why) == (
        OTHER_DESK,
        2,
        "another source is in control",
    )
    store.close()


def test_what_grows_worse_is_found_at_the_stated_show_and_shown_once(tmp_path: Path) -> None:
    """25 ms an interval: a rise of 50 ms over ten shows matters, and uneven-refresh warns at 100 ms.

    Shows 0 to 9 are level. From show 10 each is 6 ms worse: after show 18 a line through the last ten shows rises by
    52 ms and more, after show 17 by less than 50 (SciPy's slope, worked out below).
    """
    values = [28.0 + 0.01 * day for day in range(10)] + [28.0 + 6.0 * n for n in range(1, 11)]
    first = next(
        last
        for last in range(9, 20)
        if (slope := theilslopes(values[last - 9 : last + 1], np.arange(10))[0]) * 9 >= 50 and slope > 0
    )
    archive, store = paced(tmp_path / "h.db", values)
    found_at: dict[int, list[str]] = {}
    for day in range(20):
        worked = brought_up_to_date(archive, store, house_of(), now_ms(day))
        for key, row in worked.new.trends.items():
            assert row is not None
            found_at.setdefault(day, []).append(f"{key[0]} {row[1]['text']}")
    assert list(found_at) == [first]
    (text,) = found_at[first]
    assert "where uneven-refresh warns" in text
    store.close()


def test_the_house_has_figures_of_its_own(tmp_path: Path) -> None:
    archive = history(tmp_path / "h.db", [40.0] * 5, bad=2)
    rows = [work_out_show(archive, span).shows["", span[0]] for span in missing_shows(archive, now_ms(4))]
    assert sorted(row.house.incidents for row in rows if row.house) == [0, 0, 0, 0, 1]


def test_accepted_incidents_and_its_own_leave_no_show_out(tmp_path: Path) -> None:
    archive, store = paced(tmp_path / "h.db", [26.0] * 5)
    for number, changes in ((7, {"rule": "unlike-usual"}), (8, {"accepted": "the old dimmer"})):
        opened_ns = (FIRST + 5) * 60 * 1_000_000_000
        times = {"began_ns": opened_ns, "opened_ns": opened_ns, "closed_ns": opened_ns + 1, "wall_offset_ns": 0}
        made = incident(id=number, universes=("e131/1",), explains=(), timeline=(), **times, **changes)
        store.write(Pending(incidents={(number, 0): record(made)}))
    assert len(brought_up_to_date(archive, store, house_of(), now_ms(4)).standings["e131/1"].counted) == 5
    store.close()


@pytest.mark.parametrize("name", ["line/north", "e131/1@A", "artnet/7", "e131/99999", "what is this?"])
def test_universes_of_every_name_are_worked_out(name: str, tmp_path: Path) -> None:
    """Lines, networks, undeclared ones, and what somebody wrote into the file by hand."""
    archive, store = paced(tmp_path / "h.db", [26.0] * 10)
    with closing(sqlite3.connect(tmp_path / "h.db")) as db, db:
        db.execute("UPDATE universes SET name = ?", (name,))
    line = house_of(lines=(Line("north", 1, "/dev/ttyUSB0"),))
    assert len(brought_up_to_date(archive, store, line, now_ms(9)).standings[name].counted) == 10
    assert gather_usual(archive, name, now_ms(9))["shows"] == 10
    store.close()


async def test_the_daemon_works_it_out_passes_it_to_judging_and_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "SETTLE_S", 0.0)
    _, store = paced(tmp_path / "history.db", [26.0, 27.0, 28.0, 29.0, 31.0])
    store.close()
    asked: list[FrontOrder] = []
    async with running(tmp_path, snapshot=snapshot()) as run:
        keeper = module.UsualKeeper(run.front, run.history)

        async def ask(order: FrontOrder) -> Done[FrontResult]:
            asked.append(crossed(order))
            return Done(0, Noted())

        monkeypatch.setattr(run.front, "ask", ask)
        await keeper.work()
        (order,) = asked
        assert isinstance(order, TakeUsual) and [one.universe for one in order.seen.universes] == ["e131/1"]
        assert order.seen.universes[0].sustained_p99_ms == UsualFigure(28.0, 1.0, 26.0, 31.0, 5)
        async with run.client.get("/api/v1/universes/e131/1/usual") as response:
            assert (await response.json())["figures"]["interval_p99_ms"]["median"] == 28.0
        async with run.client.get("/api/v1/usual") as response:
            answer = await response.json()
        assert (answer["shows"], answer["figures"]["incidents"]["median"]) == (5, 0.0)
