"""Messages that wait for their recipient: in order, bounded, on the disk, so that a power cut loses none.

Memory holds the truth and the disk a copy, so a full disk stops no message. Once the disk takes writes again, the copy
is written again as a whole.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import msgspec

from slotwatch.views.notice import Notice, notice_of
from slotwatch.views.notice_plan import PlanMemory

MOST_WAITING = 500
"""Messages of one recipient. The oldest are dropped first, because the newest say what is true now."""
VERSION = 1
_TABLES = """
CREATE TABLE IF NOT EXISTS waiting (
  number INTEGER PRIMARY KEY, receiver TEXT NOT NULL, put_outage_ms INTEGER NOT NULL, body TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS receivers (receiver TEXT PRIMARY KEY, outage_ms INTEGER NOT NULL, plan TEXT NOT NULL)
  WITHOUT ROWID;
"""


@dataclass(slots=True)
class WaitingNotice:
    """One message of one recipient."""

    number: int
    recipient: str
    put_outage_ms: int
    """How long its recipient had been unreachable in all when it was put in."""
    notice: Notice


class NoticeQueue:
    """For one thread at a time, which its owner takes care of; but a write that was cancelled still runs in its thread,
    and `close` waits for it: SQLite crashes where a connection is closed under a statement."""

    def __init__(self, path: Path | None, most: int = MOST_WAITING) -> None:
        """path: None keeps nothing on the disk."""
        self._path = path
        self._most = most
        self._rows: dict[str, deque[WaitingNotice]] = {}
        self._plans: dict[str, PlanMemory] = {}
        self._outages_ms: dict[str, int] = {}
        self._next = 1
        self._is_behind = False
        self._store: sqlite3.Connection | None = None
        self._in_use = threading.RLock()
        self.trouble = ""
        """Why messages are kept in memory only, as a sentence."""
        self._read()

    def plan(self, recipient: str) -> PlanMemory:
        """What the recipient's plan has to remember, as it was put last."""
        return self._plans.get(recipient) or _nothing()

    def outage_ms(self, recipient: str) -> int:
        """How long the recipient could not be reached, in all."""
        return self._outages_ms.get(recipient, 0)

    def head(self, recipient: str) -> WaitingNotice | None:
        """The next message."""
        rows = self._rows.get(recipient)
        return rows[0] if rows else None

    def length(self, recipient: str) -> int:
        return len(self._rows.get(recipient, ()))

    def put(self, recipient: str, notices: Iterable[Notice], plan: PlanMemory) -> int:
        """Add messages and what the plan remembers of them, together. Gives how many old ones had to leave."""
        rows, added, left = self._rows.setdefault(recipient, deque()), [], []
        for notice in notices:
            added.append(WaitingNotice(self._next, recipient, self.outage_ms(recipient), notice))
            self._next += 1
        rows.extend(added)
        while len(rows) > self._most:
            left.append(rows.popleft().number)
        self._plans[recipient] = plan
        self._write(
            [("INSERT INTO waiting VALUES (?, ?, ?, ?)", _row(one)) for one in added]
            + [("DELETE FROM waiting WHERE number = ?", (number,)) for number in left]
            + [self._recipient_row(recipient)]
        )
        return len(left)

    def done(self, waiting: WaitingNotice) -> None:
        """It arrived, or is given up."""
        rows = self._rows.get(waiting.recipient)
        if rows and rows[0] is waiting:
            rows.popleft()
        self._write([("DELETE FROM waiting WHERE number = ?", (waiting.number,))])

    def note_outage(self, recipient: str, more_ms: int) -> None:
        """Note that the recipient could not be reached for this much longer."""
        self._outages_ms[recipient] = self.outage_ms(recipient) + more_ms
        self._write([self._recipient_row(recipient)])

    def keep_only(self, recipients: Iterable[str]) -> None:
        """Forget what waits for recipients that the house does not have any more."""
        known = set(recipients)
        for recipient in [*(self._rows.keys() | self._plans.keys() | self._outages_ms.keys()) - known]:
            self._rows.pop(recipient, None)
            self._plans.pop(recipient, None)
            self._outages_ms.pop(recipient, None)
            self._write(
                [(f"DELETE FROM {table} WHERE receiver = ?", (recipient,)) for table in ("waiting", "receivers")]
            )

    def close(self) -> None:
        with self._in_use:
            if self._store is not None:
                self._store.close()
                self._store = None

    def _recipient_row(self, recipient: str) -> tuple[str, tuple[str | int, ...]]:
        values = (recipient, self.outage_ms(recipient), json.dumps(self.plan(recipient)))
        return "INSERT OR REPLACE INTO receivers VALUES (?, ?, ?)", values

    def _read(self) -> None:
        if self._path is None:
            return
        try:
            store = self._open(self._path)
            for recipient, outage_ms, plan in store.execute("SELECT receiver, outage_ms, plan FROM receivers"):
                self._outages_ms[recipient] = int(outage_ms)
                self._plans[recipient] = _plan_of(plan)
            for number, recipient, put_ms, body in store.execute("SELECT * FROM waiting ORDER BY number"):
                self._next = max(self._next, int(number) + 1)
                try:
                    one = WaitingNotice(int(number), recipient, int(put_ms), notice_of(json.loads(body)))
                except (ValueError, KeyError, TypeError):
                    continue  # a row of another version, or damaged: the others are worth sending
                self._rows.setdefault(recipient, deque()).append(one)
        except (sqlite3.Error, OSError, TypeError, ValueError) as error:
            self._fail(error)

    def _open(self, path: Path) -> sqlite3.Connection:
        if self._store is None:
            path.parent.mkdir(parents=True, exist_ok=True)
            try:
                self._store = _connect(path)
            except sqlite3.DatabaseError as error:
                if isinstance(error, sqlite3.OperationalError):
                    raise
                path.replace(path.with_name(path.name + ".damaged"))
                self._store = _connect(path)
        return self._store

    def _write(self, statements: list[tuple[str, tuple[str | int, ...]]]) -> None:
        if self._path is None:
            return
        with self._in_use:
            self._write_to(self._path, statements)

    def _write_to(self, path: Path, statements: list[tuple[str, tuple[str | int, ...]]]) -> None:
        try:
            store = self._open(path)
            with store:
                if self._is_behind:
                    self._copy(store)
                else:
                    for statement, values in statements:
                        store.execute(statement, values)
            self._is_behind, self.trouble = False, ""
        except (sqlite3.Error, OSError) as error:
            self._fail(error)

    def _copy(self, store: sqlite3.Connection) -> None:
        store.execute("DELETE FROM waiting")
        store.execute("DELETE FROM receivers")
        for rows in self._rows.values():
            store.executemany("INSERT INTO waiting VALUES (?, ?, ?, ?)", [_row(one) for one in rows])
        for recipient in self._plans.keys() | self._outages_ms.keys():
            store.execute(*self._recipient_row(recipient))

    def _fail(self, error: Exception) -> None:
        self.close()
        self._is_behind = True
        self.trouble = f"Messages that wait are kept in memory only; {self._path} cannot be used: {error}."


def _connect(path: Path) -> sqlite3.Connection:
    store = sqlite3.connect(path, check_same_thread=False)
    try:
        store.execute("PRAGMA journal_mode=WAL")
        store.execute("PRAGMA synchronous=FULL")
        store.executescript(_TABLES)
        store.execute(f"PRAGMA user_version={VERSION}")
    except sqlite3.Error:
        store.close()
        raise
    return store


def _row(one: WaitingNotice) -> tuple[int, str, int, str]:
    return one.number, one.recipient, one.put_outage_ms, json.dumps(one.notice.as_object())


def _plan_of(text: str) -> PlanMemory:
    try:
        return msgspec.json.decode(text, type=PlanMemory)
    except (ValueError, TypeError):
        return _nothing()


def _nothing() -> PlanMemory:
    return {"told": {}, "summaries": 0}
