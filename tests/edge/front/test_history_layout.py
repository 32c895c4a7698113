"""Files of every released layout are brought up to date with all they hold; newer ones are refused in one sentence."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from slotwatch.cli import main
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_layout import STEPS, VERSION, bring_up_to_date
from slotwatch.edge.front.history_number import first_number
from slotwatch.edge.front.history_shows import UsualRows
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.snapshot.minutes import MinuteRow, StreamMinute
from slotwatch.views.records import record
from tests.views.fabricate import incident

LAYOUT_1 = """
CREATE TABLE incidents (
  id INTEGER NOT NULL, opened_ms INTEGER NOT NULL, closed_ms INTEGER, severity INTEGER NOT NULL, rule TEXT NOT NULL,
  revision INTEGER NOT NULL, body TEXT NOT NULL, PRIMARY KEY (id, opened_ms)) WITHOUT ROWID;
CREATE INDEX incidents_by_time ON incidents (opened_ms);
CREATE TABLE acknowledgements (
  at_ms INTEGER NOT NULL, incident INTEGER NOT NULL, given INTEGER NOT NULL, by TEXT NOT NULL, note TEXT NOT NULL);
CREATE TABLE marks (at_ms INTEGER NOT NULL, text TEXT NOT NULL, by TEXT NOT NULL);
CREATE TABLE phases (at_ms INTEGER PRIMARY KEY, phase TEXT NOT NULL);
CREATE TABLE not_judged (
  from_ms INTEGER NOT NULL, network TEXT NOT NULL, to_ms INTEGER, reason TEXT NOT NULL,
  PRIMARY KEY (from_ms, network)) WITHOUT ROWID;
CREATE TABLE universes (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
CREATE TABLE minutes (
  minute INTEGER NOT NULL, universe INTEGER NOT NULL, frames INTEGER NOT NULL, centihertz INTEGER NOT NULL,
  worst_gap_ms INTEGER NOT NULL, lost INTEGER NOT NULL, sources INTEGER NOT NULL, state INTEGER NOT NULL,
  not_judged_ds INTEGER NOT NULL, PRIMARY KEY (minute, universe)) WITHOUT ROWID;
CREATE TABLE hours (key TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE rig_checks (at_ms INTEGER PRIMARY KEY, body TEXT NOT NULL);
PRAGMA user_version=1;
"""
"""As the first release wrote it. Never edited."""

LAYOUT_2 = (
    LAYOUT_1
    + """
CREATE TABLE state (key TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE exceptions (
  at_ms INTEGER NOT NULL, incident INTEGER NOT NULL, given INTEGER NOT NULL, body TEXT NOT NULL);
CREATE INDEX acknowledgements_by_incident ON acknowledgements (incident);
PRAGMA user_version=2;
"""
)
"""Before there were reference levels. Never edited."""

LAYOUT_3 = (
    LAYOUT_2
    + """
CREATE TABLE reference_levels (
  name TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, by TEXT NOT NULL, about TEXT NOT NULL, body BLOB NOT NULL);
CREATE TABLE last_good (
  incident INTEGER NOT NULL, opened_ms INTEGER NOT NULL, body BLOB NOT NULL, PRIMARY KEY (incident, opened_ms));
PRAGMA user_version=3;
"""
)
"""Before minutes had percentiles of intervals. Never edited."""

LAYOUT_4 = (
    LAYOUT_3
    + """
CREATE TABLE sources (id INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE);
CREATE TABLE stream_minutes (
  minute INTEGER NOT NULL, universe INTEGER NOT NULL, rank INTEGER NOT NULL, source INTEGER NOT NULL,
  frames INTEGER NOT NULL, lost INTEGER NOT NULL, intervals INTEGER NOT NULL, centihertz INTEGER NOT NULL,
  p50 INTEGER NOT NULL, p95 INTEGER NOT NULL, p99 INTEGER NOT NULL, longest INTEGER NOT NULL,
  PRIMARY KEY (minute, universe, rank)) WITHOUT ROWID;
CREATE TABLE show_figures (
  universe TEXT NOT NULL, since_ms INTEGER NOT NULL, until_ms INTEGER NOT NULL, method INTEGER NOT NULL,
  body TEXT NOT NULL, PRIMARY KEY (universe, since_ms)) WITHOUT ROWID;
CREATE INDEX show_figures_by_time ON show_figures (since_ms);
CREATE TABLE usual_starts (
  universe TEXT PRIMARY KEY, since_ms INTEGER NOT NULL, declared TEXT NOT NULL, why TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE trends (
  universe TEXT NOT NULL, figure TEXT NOT NULL, found_ms INTEGER NOT NULL, body TEXT NOT NULL,
  PRIMARY KEY (universe, figure)) WITHOUT ROWID;
PRAGMA user_version=4;
"""
)
"""Before it was kept when the clock was set. Never edited."""

RELEASED = {1: LAYOUT_1, 2: LAYOUT_2, 3: LAYOUT_3, 4: LAYOUT_4}


STREAMS = (
    StreamMinute("6f1c2a70-0000-4000-8000-000000000001", 0, 2640, 3, 2639, 44.01, 22.7, 24.1, 26.0, 31.2),
    StreamMinute("10.20.0.9", 1, 1200, 0, 1199, 20.0, 50.0, 51.0, 60.5, 180.0),
)


def released(path: Path, version: int) -> None:
    """A file as that release left it, with a row in each table."""
    kept = record(incident())
    with closing(sqlite3.connect(path)) as db, db:
        db.executescript(RELEASED[version])
        row = (kept["id"], kept["opened_wall_ns"] // 1_000_000, None, 3, kept["rule"], 1, json.dumps(kept))
        db.execute("INSERT INTO incidents VALUES (?,?,?,?,?,?,?)", row)
        at_ms = kept["opened_wall_ns"] // 1_000_000 + 5
        db.execute("INSERT INTO acknowledgements VALUES (?,?,?,?,?)", (at_ms, kept["id"], 1, "Ann", "on my way"))
        db.execute("INSERT INTO marks VALUES (?,?,?)", (1000, "rain effect", "Ann"))
        db.execute("INSERT INTO phases VALUES (?,?)", (500, "show"))
        db.execute("INSERT INTO hours VALUES (?,?)", ("circuit 12", '{"circuit":"12","on_h":4.5}'))
        db.execute("INSERT INTO universes VALUES (1, 'e131/1')")
        db.execute("INSERT INTO minutes VALUES (?,?,?,?,?,?,?,?,?)", (29_000_000, 1, 2640, 4400, 31, 3, 2, 5, 0))


@pytest.mark.parametrize("version", RELEASED)
def test_a_file_of_each_release_keeps_all_it_holds(version: int, tmp_path: Path) -> None:
    path = tmp_path / "slotwatch.db"
    released(path, version)
    before = Archive(path)
    assert (before.next_id(), before.state(), before.exceptions()) == (8, {}, []), "readers need no new tables"
    assert before.clock_steps() == []
    assert (before.references(), before.reference("act 1"), before.last_good(7, 0)) == ([], None, None)
    kept = MinuteRow(29_000_000, "e131/1", 2640, 44.0, 31.0, 3, 2, 5)
    assert before.minutes("e131/1", 29_000_000, 29_000_001) == [kept]
    assert (before.minutes_of_all(29_000_000, 29_000_001), before.usual()) == ({"e131/1": [kept]}, UsualRows())
    store = Store(path)
    store.write(Pending(state={"numbers": {"next": 20}}, minutes=[replace(kept, minute=29_000_001, streams=STREAMS)]))
    store.close()
    archive = Archive(path)
    (found,) = archive.incidents("open")
    assert (found["id"], found["acknowledged"]["by"], found["acknowledged"]["note"]) == (7, "Ann", "on my way")
    assert archive.marks(0, 1 << 62) == [(1000, "rain effect", "Ann")]
    assert archive.phases() == [(500, "show")]
    assert archive.hours() == [{"circuit": "12", "on_h": 4.5}]
    assert archive.state() == {"numbers": {"next": 20}}
    assert archive.minutes("e131/1", 29_000_000, 29_000_001) == [
        kept,
        replace(kept, minute=29_000_001, streams=STREAMS),
    ]
    with closing(sqlite3.connect(path)) as db, db:
        assert db.execute("PRAGMA user_version").fetchone() == (VERSION,)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_every_layout_but_the_newest_is_a_release_that_is_tested() -> None:
    assert sorted(RELEASED) == list(range(1, VERSION))
    assert len(STEPS) == VERSION


def test_a_new_file_and_one_brought_up_to_date_have_the_same_tables(tmp_path: Path) -> None:
    layouts = []
    for version in (0, *RELEASED):
        path = tmp_path / f"{version}.db"
        if version:
            released(path, version)
        with closing(sqlite3.connect(path)) as db, db:
            bring_up_to_date(db)
            names = "SELECT type, name, tbl_name FROM sqlite_master ORDER BY name"
            layouts.append(db.execute(names).fetchall())
    assert all(layout == layouts[0] for layout in layouts)


def test_a_newer_file_is_refused_in_one_sentence_and_left_as_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "slotwatch.db"
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(f"PRAGMA user_version={VERSION + 1}")
    octets = path.read_bytes()
    with pytest.raises(sqlite3.DatabaseError, match="written by a newer slotwatch"):
        Store(path)
    assert main(["report", "--history", str(path)]) == 2
    written = capsys.readouterr().err
    assert written.count("\n") == 1
    assert f"it was written by a newer slotwatch (layout {VERSION + 1}" in written
    assert path.read_bytes() == octets
    assert first_number(path) == 1
