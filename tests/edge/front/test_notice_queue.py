"""The queue of messages on the disk, while its owner is closed."""

from __future__ import annotations

import sqlite3
import threading
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from slotwatch.edge.front.notice_queue import NoticeQueue
from tests.patience import PATIENCE_S


def test_closing_waits_for_a_write_that_still_runs_in_its_thread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cancelled `asyncio.to_thread` runs on, and SQLite crashes where a connection is closed under a statement."""
    order: list[str] = []
    writing, may_end = threading.Event(), threading.Event()

    class Slow(sqlite3.Connection):
        def execute(self, *statement: Any) -> sqlite3.Cursor:
            if statement[0].startswith("INSERT"):
                writing.set()
                assert may_end.wait(PATIENCE_S)
                order.append("written")
            return super().execute(*statement)

        def close(self) -> None:
            order.append("closed")
            super().close()

    monkeypatch.setattr(sqlite3, "connect", partial(sqlite3.connect, factory=Slow))
    queue = NoticeQueue(tmp_path / "queue.db")
    writer = threading.Thread(target=queue.note_outage, args=("duty phone", 5))
    closer = threading.Thread(target=queue.close)
    writer.start()
    assert writing.wait(PATIENCE_S)
    closer.start()
    closer.join(0.2)  # it would be closed by then
    may_end.set()
    for thread in (writer, closer):
        thread.join(PATIENCE_S)
    assert order == ["written", "closed"]
    with closing(NoticeQueue(tmp_path / "queue.db")) as again:
        assert again.outage_ms("duty phone") == 5
