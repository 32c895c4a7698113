"""What is usual, out of a history file: shows with an incident on the universe and short ones do not count."""

from __future__ import annotations

from pathlib import Path

from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.edge.front.usual import gather_usual
from slotwatch.snapshot import MinuteRow
from slotwatch.views.records import record
from tests.views.fabricate import incident

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


def now_ms(day: int) -> int:
    return (FIRST + day * DAY + LENGTH + 10) * 60_000


def test_the_median_of_the_shows(tmp_path: Path) -> None:
    archive = history(tmp_path / "h.db", [40.0, 41.0, 42.0, 43.0, 10.0])
    found = gather_usual(archive, "e131/1", now_ms(4))
    # Of 10, 40, 41, 42, 43: median 41; deviations 31, 1, 0, 1, 2: median 1
    assert (found["shows"], found["figures"]["refresh_hz"]) == (5, {"median": 41.0, "mad": 1.0})
    assert found["figures"]["longest_gap_ms"] == {"median": 30.0, "mad": 0.0}
    assert found["tonight"] is None


def test_a_night_with_an_incident_on_the_universe_does_not_count(tmp_path: Path) -> None:
    archive = history(tmp_path / "h.db", [40.0, 40.0, 40.0, 40.0, 40.0, 5.0], bad=5)
    found = gather_usual(archive, "e131/1", now_ms(5))
    assert (found["shows"], [one["reason"] for one in found["left_out"]]) == (5, ["incident"])
    assert found["figures"]["refresh_hz"] == {"median": 40.0, "mad": 0.0}


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
