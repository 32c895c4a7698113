"""A backup made while the daemon runs is put back whole; secrets are not in it; nothing that was there is lost."""

from __future__ import annotations

import json
import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path

import pytest

from slotwatch.cli import main
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_layout import VERSION
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.edge.shared import places

HOUSE = """
[house]
name = "Test house"
[http]
token_file = "token"
[history]
path = "slotwatch.db"
[patch]
file = "paper/patch.csv"
[[universes]]
protocol = "e131"
number = 1
"""


@pytest.fixture(autouse=True)
def no_service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setattr(places, "SERVICE", tmp_path / "no-service")


@pytest.fixture
def house(tmp_path: Path) -> Path:
    place = tmp_path / "venue"
    (place / "paper").mkdir(parents=True)
    (place / "house.toml").write_text(HOUSE)
    (place / "token").write_text("a-secret-of-the-house-0123456789")
    (place / "paper" / "patch.csv").write_text("fixture,universe,address,footprint\nSpot 1,e131/1,1,4\n")
    return place / "house.toml"


def test_a_backup_of_a_running_history_is_put_back_on_another_computer(
    house: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = Store(house.parent / "slotwatch.db")  # stays open: the daemon runs
    store.write(Pending(marks=[(1000, "rain effect", "Ann")], state={"numbers": {"next": 12}}))
    kept = tmp_path / "kept.zip"
    assert main(["backup", str(kept), "-c", str(house)]) == 0
    store.write(Pending(marks=[(2000, "after it", "")]))
    assert "house.toml, paper/patch.csv, history" in capsys.readouterr().out
    with zipfile.ZipFile(kept) as archive:
        wanted = ["history.db", "house/house.toml", "house/paper/patch.csv", "manifest.json"]
        assert sorted(archive.namelist()) == wanted
        assert not any(b"a-secret-of-the-house" in archive.read(name) for name in archive.namelist())
    assert kept.stat().st_mode & 0o077 == 0
    store.close()
    there = tmp_path / "other" / "house.toml"
    there.parent.mkdir()
    (there.parent / "slotwatch.db").touch()
    assert main(["restore", str(kept), "-c", str(there)]) == 0
    assert there.read_text() == HOUSE
    assert (there.parent / "paper" / "patch.csv").read_text().startswith("fixture,")
    archive_ = Archive(there.parent / "slotwatch.db")
    assert archive_.marks(0, 1 << 62) == [(1000, "rain effect", "Ann")]
    assert archive_.next_id() >= 1 and archive_.state()["numbers"] == {"next": 12}


def test_what_was_there_is_kept_under_another_name(house: Path, tmp_path: Path) -> None:
    store = Store(house.parent / "slotwatch.db")
    store.write(Pending(marks=[(1000, "old", "")]))
    store.close()
    kept = tmp_path / "kept.zip"
    assert main(["backup", str(kept), "-c", str(house)]) == 0
    assert main(["backup", str(kept), "-c", str(house)]) == 0, "an earlier backup is replaced"
    house.write_text(HOUSE + "# edited since\n")
    store = Store(house.parent / "slotwatch.db")
    store.write(Pending(marks=[(2000, "new", "")]))
    store.close()
    assert main(["restore", str(kept)]) == 0
    assert house.read_text() == HOUSE
    (edited,) = house.parent.glob("house.toml.before-*Z")
    assert edited.read_text().endswith("# edited since\n")
    assert [text for _, text, _ in Archive(house.parent / "slotwatch.db").marks(0, 1 << 62)] == ["old"]
    (before,) = house.parent.glob("slotwatch.db.before-*Z")
    assert [text for _, text, _ in Archive(before).marks(0, 1 << 62)] == ["old", "new"]
    assert not list(house.parent.glob("paper/*before*")), "what is the same stays"


def test_a_house_restored_beside_the_old_one_leaves_the_old_history_alone(house: Path, tmp_path: Path) -> None:
    """To look at an old night: into an empty directory, while the house goes on with its own history."""
    history = house.parent / "slotwatch.db"
    store = Store(history)
    store.write(Pending(marks=[(1000, "old", "")]))
    kept, there = tmp_path / "kept.zip", tmp_path / "look" / "house.toml"
    assert main(["backup", str(kept), "-c", str(house)]) == 0
    store.write(Pending(marks=[(2000, "new", "")]))
    there.parent.mkdir()
    assert main(["restore", str(kept), "-c", str(there)]) == 0, "nor does it matter that a daemon uses the other"
    store.close()
    assert [text for _, text, _ in Archive(there.parent / "slotwatch.db").marks(0, 1 << 62)] == ["old"]
    assert [text for _, text, _ in Archive(history).marks(0, 1 << 62)] == ["old", "new"]
    assert not list(house.parent.glob("*before*"))


def test_a_history_in_use_is_not_replaced(house: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = Store(house.parent / "slotwatch.db")
    store.write(Pending(marks=[(1000, "running", "")]))
    kept = tmp_path / "kept.zip"
    assert main(["backup", str(kept), "-c", str(house)]) == 0
    capsys.readouterr()
    assert main(["restore", str(kept)]) == 2
    assert "a daemon uses" in capsys.readouterr().err
    store.write(Pending(marks=[(2000, "still running", "")]))
    store.close()
    assert main(["restore", str(kept)]) == 0


def zip_of(path: Path, **members: str) -> Path:
    manifest = {"format": 1, "house_file": "/x/house.toml", "house_name": "house.toml", "history": "/x/slotwatch.db"}
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("manifest.json", members.pop("manifest", json.dumps(manifest)))
        for name, text in members.items():
            archive.writestr(name, text)
    return path


def test_a_file_that_is_no_backup_is_refused_in_one_line_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "text").write_text("no archive")
    goal = tmp_path / "goal" / "house.toml"
    bad = [
        tmp_path / "text",
        tmp_path / "absent",
        zip_of(tmp_path / "1.zip", manifest="[]"),
        zip_of(tmp_path / "2.zip"),
        zip_of(tmp_path / "3.zip", **{"house/house.toml": HOUSE, "house/../../escaped": "x"}),
        zip_of(tmp_path / "4.zip", **{"house/house.toml": HOUSE, "/etc/escaped": "x"}),
        zip_of(tmp_path / "5.zip", manifest='{"format": 2, "house_file": "", "house_name": "", "history": ""}'),
        zip_of(tmp_path / "6.zip", **{"house/house.toml": "[house]\nname = 5\n"}),
    ]
    for path in bad:
        assert main(["restore", str(path), "-c", str(goal)]) == 2, path
        assert capsys.readouterr().err.count("\n") == 1
    assert not goal.parent.exists() and not list(tmp_path.rglob("escaped"))


def test_a_backup_of_a_newer_history_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with closing(sqlite3.connect(tmp_path / "newer.db")) as db, db:
        db.execute(f"PRAGMA user_version={VERSION + 1}")
    path = zip_of(tmp_path / "newer.zip", **{"house/house.toml": '[house]\nname = "x"\n'})
    with zipfile.ZipFile(path, "a") as archive:
        archive.write(tmp_path / "newer.db", "history.db")
    assert main(["restore", str(path), "-c", str(tmp_path / "goal" / "house.toml")]) == 2
    assert "newer slotwatch" in capsys.readouterr().err


def test_a_file_that_is_something_else_is_not_overwritten(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["backup", str(house), "-c", str(house)]) == 2
    assert "exists and is not a backup" in capsys.readouterr().err
    assert house.read_text() == HOUSE
