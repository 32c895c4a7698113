"""One daemon at a time keeps a history; who waits for it gets it once it is surely free."""

from __future__ import annotations

import errno
import fcntl
import os
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from slotwatch.edge.front import history_writer as writer_module
from slotwatch.edge.front.history import History
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_lock import HistoryLock, lock_file
from tests.edge.front.test_history import FOR_EVER, path  # noqa: F401
from tests.patience import happens
from tests.views.fabricate import NOW_NS, WALL_OFFSET_NS, incident, snapshot

US = f"another slotwatch (process {os.getppid()} on {socket.gethostname()})"


def test_the_second_is_told_who_has_it_and_gets_it_when_it_was_free_at_two_looks(tmp_path: Path) -> None:
    first, second = HistoryLock(tmp_path / "a.db"), HistoryLock(tmp_path / "a.db")
    assert first.take() == "" == first.take()
    assert second.take() == US
    first.release()
    assert second.take() == US, "the page of the first may be in the middle of its restart"
    assert first.take() == "", "which finds its file free"
    assert second.take() == US
    first.release()
    assert [second.take(), second.take()] == [US, ""]


def test_one_file_under_two_names_has_one_lock(tmp_path: Path) -> None:
    (tmp_path / "kept").mkdir()
    (tmp_path / "house").symlink_to(tmp_path / "kept")
    (tmp_path / "link.db").symlink_to(tmp_path / "kept" / "a.db")
    locks = [HistoryLock(tmp_path / name) for name in ("kept/a.db", "house/a.db", "link.db")]
    assert [one.take() for one in locks] == ["", US, US]
    assert HistoryLock(tmp_path / "kept" / "b.db").take() == ""


def test_a_lock_file_that_somebody_removes_while_it_is_held_is_made_again(tmp_path: Path) -> None:
    first, second = HistoryLock(tmp_path / "a.db"), HistoryLock(tmp_path / "a.db")
    first.take()
    lock_file(tmp_path / "a.db").unlink()
    assert first.take() == ""
    assert second.take() == US


@pytest.mark.parametrize("text", [b"", b"\x1b[2J\xff", b"x" * 5000])
def test_whatever_stands_in_the_file_is_one_short_line(tmp_path: Path, text: bytes) -> None:
    first = HistoryLock(tmp_path / "a.db")
    first.take()
    lock_file(tmp_path / "a.db").write_bytes(text)
    told = HistoryLock(tmp_path / "a.db").take()
    assert told.startswith("another slotwatch") and told.isprintable() and len(told) < 230


def test_on_a_full_disk_the_lock_is_held_without_a_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def is_full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "pwrite", is_full)
    first = HistoryLock(tmp_path / "a.db")
    assert [first.take(), first.take()] == ["", ""]
    assert HistoryLock(tmp_path / "a.db").take() == "another slotwatch"


def test_a_lock_file_of_another_user_is_locked_by_reading_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lock_file(tmp_path / "a.db").touch()
    true_open = os.open

    def refuse(place: Path, flags: int, mode: int = 0o777) -> int:
        if flags & os.O_RDWR:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return true_open(place, flags, mode)

    monkeypatch.setattr(os, "open", refuse)
    first = HistoryLock(tmp_path / "a.db")
    assert [first.take(), HistoryLock(tmp_path / "a.db").take()] == ["", "another slotwatch"]


def _no_locks(*_: object) -> None:
    raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))


def _read_only(*_: object) -> int:
    raise OSError(errno.EROFS, os.strerror(errno.EROFS))


@pytest.mark.parametrize(
    ("where", "name", "fault", "is_said"), [(fcntl, "flock", _no_locks, True), (os, "open", _read_only, False)]
)
def test_where_there_are_no_locks_the_history_is_kept_without_one(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    where: object,
    name: str,
    fault: Callable[..., object],
    is_said: bool,
) -> None:
    """flock(2) gives ENOLCK for a network file system without a lock service. What cannot be written at all is said by
    the history itself."""
    monkeypatch.setattr(where, name, fault)
    lock = HistoryLock(tmp_path / "a.db")
    assert [lock.take(), lock.take()] == ["", ""]
    assert capsys.readouterr().err.count("cannot be locked") == is_said


async def test_a_link_that_leads_to_itself_is_said_to_be_no_history(tmp_path: Path) -> None:
    """symlink(7): such a name opens nothing (ELOOP)."""
    (tmp_path / "a.db").symlink_to(tmp_path / "a.db")
    history = History(tmp_path / "a.db", FOR_EVER)
    assert await history.is_ours()
    assert not await history.mark("of nobody", "Ann", NOW_NS + WALL_OFFSET_NS)
    assert "is not being kept" in history.health()["text"]
    history.close()


def test_where_a_file_stands_for_the_directory_nothing_is_said_to_be_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "kept").touch()
    assert HistoryLock(tmp_path / "kept" / "a.db").take() == ""
    assert "kept all the same" not in capsys.readouterr().err


async def test_who_has_to_wait_keeps_nothing_reads_nothing_and_then_keeps_what_holds(
    path: Path,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(writer_module, "RETRY_S", 0.05)
    first = History(path, FOR_EVER)
    assert await first.is_ours() and await first.mark("of the first", "Ann", NOW_NS + WALL_OFFSET_NS)
    second = History(path, FOR_EVER)
    assert not await second.is_ours()
    second.note(snapshot(incidents=(incident(10_007),)))
    assert not await second.mark("of the second", "Ben", NOW_NS + WALL_OFFSET_NS)
    assert await second.ask(Archive.next_id) is None
    health = second.health()
    assert not health["ok"] and f"{US} keeps its own in this file ({path})" in health["text"] == second.why_unread()
    assert [text for _, text, _ in Archive(path).marks(0, 1 << 62)] == ["of the first"], "a reader needs no lock"
    first.close()
    await happens(lambda: second.health()["ok"])
    second.note(snapshot(incidents=(incident(10_007),)))
    await happens(lambda: [one["id"] for one in Archive(path).incidents()] == [10_007])
    assert [text for _, text, _ in Archive(path).marks(0, 1 << 62)] == ["of the first"]
    second.close()


async def test_a_reload_that_names_a_file_of_another_waits_for_it_and_one_that_names_a_free_one_does_not(
    path: Path,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(writer_module, "RETRY_S", 0.05)
    first, second = History(path, FOR_EVER), History(path.with_name("other.db"), FOR_EVER)
    assert await first.is_ours() and await second.is_ours()
    second.move(path, FOR_EVER)
    assert not await second.is_ours()
    second.move(path.with_name("third.db"), FOR_EVER)
    await happens(lambda: second.health()["ok"])
    assert await second.mark("kept", "", NOW_NS + WALL_OFFSET_NS)
    assert HistoryLock(path.with_name("other.db")).take() == "", "what it left is free"
    first.close()
    second.close()
