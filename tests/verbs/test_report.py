"""The show report from a history file: HTML that needs nothing else, JSON, CSV, and sentences where there is none."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from slotwatch.cli import main
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.edge.shared import places
from slotwatch.errors import EdgeError
from slotwatch.snapshot import Acknowledgement, Severity, UniverseState
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.verbs.report import end_moment, moment
from slotwatch.views.records import record
from tests.views.fabricate import NOW_NS, SECOND_NS, WALL_OFFSET_NS, incident

WALL_MS = (NOW_NS + WALL_OFFSET_NS) // 1_000_000  # 2026-01-01T00:00:00Z
MINUTE = WALL_MS // 60_000
HOUSE = '[house]\nname = "Harbour Street Playhouse"\ntime_zone = "Europe/London"\n\n[listen]\ninterfaces = ["lo"]\n'


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A house whose show went from 22:00 to 23:30; one incident in it, one after it."""
    (tmp_path / "house.toml").write_text(HOUSE)
    curtain, down = WALL_MS - 7_200_000, WALL_MS - 1_800_000
    seen = Acknowledgement("Ann <stage>", NOW_NS - 3500 * SECOND_NS, "=spare desk")
    within = incident(
        4,
        began_ns=NOW_NS - 3600 * SECOND_NS,
        opened_ns=NOW_NS - 3597 * SECOND_NS,
        closed_ns=NOW_NS - 3000 * SECOND_NS,
        acknowledged=seen,
        summary="Universe e131/2 <b>lost</b>.",
    )
    after = incident(5, severity=Severity.WARNING, opened_ns=NOW_NS - 60 * SECOND_NS, closed_ns=NOW_NS)
    minutes = []
    for number in range(120):
        state = UniverseState.LOST if number == 60 else UniverseState.STEADY
        minutes.append(MinuteRow(MINUTE - 120 + number, "e131/1", 2640, 44.0, 31.0, 0, 2, UniverseState.STEADY))
        gap = 2600.0 if number == 60 else 30.0
        minutes.append(MinuteRow(MINUTE - 120 + number, "e131/2", 2640, 43.5, gap, 4 * (number == 61), 1, state))
    store = Store(tmp_path / "slotwatch.db")
    store.write(
        Pending(
            incidents={(one.id, 0): record(one) for one in (within, after)},
            marks=[(WALL_MS - 3_000_000, "rain effect stuttered", "Ann")],
            phases={curtain - 3_600_000: "pre-show", curtain: "show", down: "post-show"},
            not_judged={(WALL_MS - 5_000_000, "lo"): (WALL_MS - 4_990_000, "link-down")},
            minutes=minutes,
        )
    )
    store.close()
    return tmp_path / "house.toml"


def test_it_goes_from_curtain_up_to_curtain_down(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "-c", str(house), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert (found["since"], found["until"]) == ("2025-12-31T22:00:00.000Z", "2025-12-31T23:30:00.000Z")
    assert [one["id"] for one in found["incidents"]] == [4], "what came after the show is not in it"
    assert found["summary"] == (
        "1 incident: 1 critical. 1 interval could not be judged, through this listener's own fault."
    )
    assert [one["phase"] for one in found["phases"]] == ["show", "post-show"]
    one, two = found["universes"]
    assert one["worst_state"] == "steady" and one["minutes"] == 91 and one["refresh_hz"] == 44.0
    assert (
        two["worst_gap_ms"] == 2600 and two["worst_minute_at"] == "2025-12-31T23:00:00.000Z" and two["lost_frames"] == 4
    )
    assert [row["universe"] for row in found["worst"]] == ["e131/2"]


class Outline(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.open: list[str] = []
        self.addresses: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "xlink:href")]
        if tag not in ("meta", "link", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_html_needs_nothing_else_and_escapes_everything(house: Path, tmp_path: Path) -> None:
    assert main(["report", "-c", str(house), "-o", str(tmp_path / "show.html")]) == 1
    text = (tmp_path / "show.html").read_text()
    outline = Outline()
    outline.feed(text)
    assert not outline.open and not outline.addresses and "script" not in outline.tags and "svg" in outline.tags
    assert "url(" not in text and "@import" not in text and len(text) < 100_000
    assert "&lt;b&gt;lost&lt;/b&gt;" in text and "Ann &lt;stage&gt;" in text
    assert "Wednesday 31 December 2025, 22:00" in text and "rain effect stuttered" in text
    drawn = re.findall(r'<rect class="(\w+)"', text)
    assert drawn.count("bad") == 2 and drawn.count("bar") == 89, (
        "the lost minute and the one that lost frames are marked"
    )
    assert re.search(r"<td>Wed 23:00</td><td>lost</td><td>2600 ms</td><td>0</td>", text), "and are written in words"


def test_csv_is_one_table_in_order_of_time_and_runs_no_formula(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "-c", str(house), "--csv"]) == 1
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["kind"] for row in rows] == ["not-judged", "incident", "mark"]
    assert rows[1]["note"] == "'=spare desk" and rows[1]["by"] == "Ann <stage>"
    assert rows[2]["text"] == "rain effect stuttered"


def test_a_span_that_is_asked_for(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["report", "-c", str(house), "--json", "--since", "2025-12-31T23:55", "--until", "2026-01-01T01:00"]
    assert main(arguments) == 1
    assert [one["id"] for one in json.loads(capsys.readouterr().out)["incidents"]] == [5]
    assert main([*arguments[:4], "--since", "2025-01-01T00:00Z", "--until", "2025-01-02"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["summary"] == "Nothing was kept of this time." and not found["universes"]


def test_every_format_of_an_empty_span_is_well(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for kind in ([], ["--csv"], ["--json"]):
        assert main(["report", "-c", str(house), *kind, "--since", "2025-01-01", "--until", "2025-01-02"]) == 0
        assert capsys.readouterr().out


def test_without_a_history_it_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "house.toml").write_text(HOUSE)
    assert main(["report", "-c", str(tmp_path / "house.toml")]) == 2
    error = capsys.readouterr().err
    assert "there is no history at" in error and ", or name the file with --history" in error
    (tmp_path / "slotwatch.db").write_bytes(b"no database" * 1000)
    assert main(["report", "-c", str(tmp_path / "house.toml")]) == 2
    error = capsys.readouterr().err
    assert "cannot be read: file is not a database" in error and error.count("\n") == 1


def test_an_output_that_cannot_be_written(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "-c", str(house), "-o", str(house.parent / "absent" / "show.html")]) == 2
    assert "cannot be written: No such file or directory" in capsys.readouterr().err


def test_times_of_the_command_line() -> None:
    zone = ZoneInfo("Europe/London")
    now_ns = int(datetime(2026, 7, 1, 22, 15, tzinfo=zone).timestamp()) * SECOND_NS
    assert moment(None, now_ns, zone) is None
    assert moment("19:30", now_ns, zone) == "2026-07-01T19:30:00+01:00"
    assert moment("23:30", now_ns, zone) == "2026-06-30T23:30:00+01:00", "not yet today: it was yesterday"
    assert moment("2026-01-01T19:30", now_ns, zone) == "2026-01-01T19:30:00+00:00"
    assert moment("2026-01-01T19:30Z", now_ns, UTC) == "2026-01-01T19:30:00+00:00"
    with pytest.raises(EdgeError, match="is not a time"):
        moment("curtain up", now_ns, zone)


def test_without_a_house_file_the_history_of_this_directory_is_read(
    house: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # As documented: `report [--since T] [--until T]`; 3: "relative to the house file or the state directory"
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.chdir(house.parent)
    assert main(["report", "--json"]) == 1
    assert [one["id"] for one in json.loads(capsys.readouterr().out)["incidents"]] == [4]
    (house.parent / "empty").mkdir()
    monkeypatch.chdir(house.parent / "empty")
    assert main(["report", "--history", str(house.parent / "slotwatch.db"), "--csv"]) == 1
    monkeypatch.setenv("STATE_DIRECTORY", str(house.parent / "empty"))
    assert main(["report"]) == 2
    assert "-c" in capsys.readouterr().err


def test_an_end_that_is_to_come_means_now() -> None:
    zone = ZoneInfo("Europe/London")

    def end(text: str, since: str | None, hour: int, minute: int) -> str | None:
        now_ns = int(datetime(2026, 7, 1, hour, minute, tzinfo=zone).timestamp()) * SECOND_NS
        return end_moment(text, moment(since, now_ns, zone), now_ns, zone)

    assert end("12:29", "12:21", 12, 28) == "2026-07-01T12:28:00+01:00"
    assert end("23:30", "22:00", 9, 0) == "2026-06-30T23:30:00+01:00", "the first after its begin: last night's"
    assert end("01:30", "22:00", 9, 0) == "2026-07-01T01:30:00+01:00", "past midnight"
    assert end("12:29", None, 12, 28) == "2026-07-01T12:28:00+01:00"
    assert end("23:30", None, 9, 0) == "2026-06-30T23:30:00+01:00", "the last time it was that o'clock"
    assert end("2027-01-01", None, 9, 0) == "2026-07-01T09:00:00+01:00"
    assert end("2026-06-30T12:00", "11:00", 12, 28) == "2026-06-30T12:00:00+01:00"


def test_an_end_before_the_begin_is_refused(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 11:30 at UTC-5 is 16:30 UTC (RFC 3339, 4.2); year 9999 is to come: the report ends now.
    for since, until in (
        ("2025-02-01", ("--until", "2025-01-01")),
        ("9999-01-01", ()),
        ("2025-02-01T11:30-05:00", ("--until", "2025-02-01T12:00+00:00")),
    ):
        assert main(["report", "-c", str(house), "--since", since, *until]) == 2
        assert "would end before it begins" in capsys.readouterr().err


def test_the_services_history_is_found_by_its_house_file(
    house: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The service keeps it in its state directory, which no variable names on a command line."""
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    state = tmp_path / "state"
    state.mkdir()
    for file in house.parent.glob("slotwatch.db*"):
        file.rename(state / file.name)
    assert main(["report", "-c", str(house), "--json"]) == 2
    monkeypatch.setattr(places, "SERVICE", state)
    capsys.readouterr()
    assert main(["report", "-c", str(house), "--json"]) == 1
    assert [one["id"] for one in json.loads(capsys.readouterr().out)["incidents"]] == [4]
