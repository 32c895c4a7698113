"""Rows that are valid SQLite and odd are set aside with a count; numbers never go back; nothing stops for them."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from slotwatch.edge.front.history import History
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_number import first_number, keep_number, number_file
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.edge.front.reporting import gather, span_of
from slotwatch.house.schema import House
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.views.records import record
from tests.views.fabricate import NOW_NS, WALL_OFFSET_NS, incident

NOW_WALL_NS = NOW_NS + WALL_OFFSET_NS
MINUTE = NOW_WALL_NS // 60_000_000_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A history with one sound row in each table."""
    path = tmp_path / "slotwatch.db"
    store = Store(path)
    sound = record(incident())
    store.write(
        Pending(
            incidents={(7, sound["opened_wall_ns"] // 1_000_000): sound},
            acknowledgements=[(NOW_WALL_NS // 1_000_000, 7, 1, "Ann", "")],
            marks=[(1000, "sound", "")],
            phases={1000: "show"},
            not_judged={(1000, ""): (2000, "stall")},
            minutes=[MinuteRow(MINUTE, "e131/1", 2640, 44.0, 31.0, 3, 2, 5)],
            hours={"circuit 12": {"circuit": "12"}},
            rig_checks={1: {"running": False}},
            state={"alive": {"at_ms": 1}},
        )
    )
    store.close()
    return path


def write(path: Path, statement: str, *values: Any) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(statement, values)


def odd_body(change: Callable[[dict[str, Any]], Any]) -> str:
    body = json.loads(json.dumps(record(incident(id=9))))
    changed = change(body)
    return json.dumps(body if changed is None else changed)


ODD_BODIES: dict[str, str] = {
    "no JSON": "{",
    "no object": "[]",
    "a key lacking": odd_body(lambda body: body.pop("summary") and None),
    "a time of text": odd_body(lambda body: body.update(began_wall_ns="yesterday")),
    "a time out of range": odd_body(lambda body: body.update(opened_wall_ns=10**24)),
    "a time before 1970": odd_body(lambda body: body.update(began_wall_ns=-1)),
    "an unknown severity": odd_body(lambda body: body.update(severity=9)),
    "universes of numbers": odd_body(lambda body: body.update(universes=[1])),
    "a timeline of one": odd_body(lambda body: body.update(timeline=[[1]])),
    "a timeline out of range": odd_body(lambda body: body.update(timeline=[[10**24, "x", "resumed"]])),
    "another number": odd_body(lambda body: body.update(id=10)),
}


def test_a_universe_whose_name_is_no_text_is_in_no_report(path: Path) -> None:
    write(path, "INSERT INTO universes VALUES (99, ?)", b"\0\xff")
    write(
        path,
        "INSERT INTO minutes SELECT minute, 99, frames, centihertz, worst_gap_ms, lost, sources, state, "
        "not_judged_ds FROM minutes",
    )
    archive = Archive(path)
    report = gather(archive, House(), *span_of(archive, None, None, NOW_WALL_NS), NOW_WALL_NS)
    assert [one.universe for one in report.universes] == ["e131/1"]
    assert list(archive.minutes_of_all(MINUTE, MINUTE)) == ["e131/1"]
    assert [name for name, _ in archive.heard_lately(5)] == ["e131/1"]


def test_numbers_that_no_sum_can_hold_keep_no_report_from_being_made(path: Path) -> None:
    for before in (1, 2):
        write(
            path,
            "INSERT INTO minutes SELECT minute - ?, universe, ?, centihertz, worst_gap_ms, lost, sources, "
            "state, not_judged_ds FROM minutes WHERE minute = ?",
            before,
            2**63 - 1,
            MINUTE,
        )
    archive = Archive(path)
    report = gather(archive, House(), *span_of(archive, None, None, NOW_WALL_NS), NOW_WALL_NS)
    assert [(one.universe, one.frames) for one in report.universes] == [("e131/1", 2640)]


@pytest.mark.parametrize("name", ODD_BODIES)
def test_an_odd_incident_is_set_aside_and_the_others_are_there(name: str, path: Path) -> None:
    write(path, "INSERT INTO incidents VALUES (9, 5, NULL, 3, 'universe-lost', 1, ?)", ODD_BODIES[name])
    archive = Archive(path)
    for _ in range(3):
        assert [one["id"] for one in archive.incidents()] == [7]
        assert archive.incident(9) is None
        assert archive.odd.count == 1, "each once, however often it is read"
    assert archive.next_id() == 10, "its number is taken all the same"


ODD_ROWS = (
    ("INSERT INTO incidents VALUES ('x', 5, NULL, 3, 'universe-lost', 1, '{}')", ()),
    ("INSERT INTO incidents VALUES (?, 5, NULL, 3, 'universe-lost', 1, '{}')", (1 << 62,)),
    ("INSERT INTO incidents VALUES (-5, 5, NULL, 3, 'universe-lost', 1, ?)", (b"\xff\xfe",)),
    ("INSERT INTO acknowledgements VALUES ('noon', 7, 1, 'Bob', '')", ()),
    ("INSERT INTO acknowledgements VALUES (?, 7, 5, 'Bob', '')", (NOW_WALL_NS // 1_000_000,)),
    ("INSERT INTO marks VALUES ('x', 'odd', '')", ()),
    ("INSERT INTO marks VALUES (?, ?, '')", (1 << 62, b"\xff")),
    ("INSERT INTO not_judged VALUES (900, 'x', 'later', 'stall')", ()),
    ("INSERT INTO not_judged VALUES (900, 'y', 100, 'stall')", ()),
    ("INSERT INTO minutes VALUES (?, 1, 'many', 1, 1, 1, 1, 1, 1)", (MINUTE + 1,)),
    ("INSERT INTO minutes VALUES (?, 1, 1, 1, 1, 1, 1, 77, 1)", (MINUTE + 2,)),
    ("INSERT INTO hours VALUES ('circuit 13', '5')", ()),
    ("INSERT INTO rig_checks VALUES (2, 'none')", ()),
    ("INSERT INTO state VALUES ('phase', '[]')", ()),
    ("INSERT INTO exceptions VALUES (1, 'x', 1, '{')", ()),
)


def test_no_odd_row_keeps_the_sound_ones_from_being_read(path: Path) -> None:
    for statement, values in ODD_ROWS:
        write(path, statement, *values)
    archive = Archive(path)
    (found,) = archive.incidents()
    assert (found["id"], found["acknowledged"]["by"]) == (7, "Ann")
    assert archive.marks(0, 1 << 62) == [(1000, "sound", "")]
    assert archive.phases() == [(1000, "show")]
    assert archive.not_judged(0, 1 << 62) == [(1000, 2000, "", "stall")]
    assert [row.minute for row in archive.minutes("e131/1", MINUTE - 5, MINUTE + 5)] == [MINUTE]
    assert [one.minutes for one in archive.sums(MINUTE - 5, MINUTE + 5)] == [1]
    assert archive.hours() == [{"circuit": "12"}]
    assert archive.rig_check() == {"running": False}
    assert archive.state() == {"alive": {"at_ms": 1}}
    assert archive.exceptions() == []
    assert archive.next_id() == 8, "no number that is out of range counts"
    until_ns = NOW_WALL_NS + 10 * 60_000_000_000
    report = gather(archive, House(name="x"), *span_of(archive, None, None, until_ns), until_ns)
    assert [one["id"] for one in report.incidents] == [7]
    assert archive.odd.count >= 10


async def test_the_page_says_how_many_rows_are_left_out(path: Path) -> None:
    write(path, "INSERT INTO incidents VALUES (9, 5, NULL, 3, 'universe-lost', 1, '{}')")
    history = History(path, 100_000)
    assert await history.ask(lambda archive: len(archive.incidents())) == 1
    health = history.health()
    assert (health["ok"], health["odd_rows"]) == (True, 1)
    assert health["text"] == "1 row of the history cannot be used and is left out."
    history.close()


def test_numbers_go_on_where_the_history_was_replaced_by_an_older_one(path: Path) -> None:
    keep_number(path, {"next": 42})
    assert first_number(path) == 42
    keep_number(path, {"next": 12})
    path.unlink()
    assert first_number(path) == 42, "it never falls"
    for content in (b"", b"many\n", b"-3", b"9" * 5000):
        number_file(path).write_bytes(content)
        assert first_number(path) == 1


def test_a_show_goes_on_over_a_restart_and_not_over_a_night_without_a_listener(path: Path) -> None:
    """The phases' table has `show` again after each start; between the two lie minutes, or a night."""
    hour_ms = 3_600_000
    store = Store(path)
    gaps = {(3 * hour_ms, ""): (3 * hour_ms + 60_000, "not-running"), (5 * hour_ms, ""): (20 * hour_ms, "not-running")}
    store.write(Pending(phases={3 * hour_ms + 60_000: "show", 20 * hour_ms: "show"}, not_judged=gaps))
    store.close()
    archive = Archive(path)
    at = 1_000_000
    assert span_of(archive, None, None, 4 * hour_ms * at)[0] == 1000 * at, "since curtain up, over the restart"
    assert span_of(archive, None, None, 21 * hour_ms * at)[0] == 20 * hour_ms * at
