"""The history's SQLite file, as its readers see it. A connection for each question: reading never delays writing."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypedDict, cast
from urllib.parse import quote

from slotwatch.edge.front import history_minutes
from slotwatch.edge.front import history_rows as rows_of
from slotwatch.edge.front.clock_ahead import ClockStep
from slotwatch.edge.front.history_layout import check_version
from slotwatch.edge.front.history_number import is_number, next_number
from slotwatch.edge.front.history_rows import SetAside
from slotwatch.edge.front.history_shows import UsualRows, shows_of, starts_of, trends_of
from slotwatch.model.reference_bytes import unpack
from slotwatch.model.reference_levels import Reference
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.views.kept import KeptException, KeptIncident
from slotwatch.views.records import acknowledge
from slotwatch.views.show import MinuteSums

MOST_INCIDENTS = 10_000
SAME_MS = 1000
Interval = tuple[int, int | None, str, str]
"""From, to (None: it lasts), network and reason."""


class HistoryHealth(TypedDict):
    """Whether what happens now is being kept."""

    ok: bool
    text: str
    path: str
    odd_rows: int
    """Rows that cannot be used."""


class Archive:
    """Questions to a history file. All times are wall-clock milliseconds. sqlite3.Error as it comes.

    Rows that do not fit are left out and counted in `odd`.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.odd = SetAside()

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        db = self._connect("mode=ro")
        try:
            try:
                check_version(db)
            except sqlite3.OperationalError:
                # The log's index cannot be made without permission to write here. Without a log, none is needed.
                if self.path.with_name(self.path.name + "-wal").exists():
                    raise
                db.close()
                db = self._connect("mode=ro&immutable=1")
                check_version(db)
            db.text_factory = lambda raw: raw.decode("utf-8", "replace")
            yield db
        finally:
            db.close()

    def _connect(self, how: str) -> sqlite3.Connection:
        return sqlite3.connect(f"file:{quote(str(self.path))}?{how}", uri=True, timeout=2.0)

    def next_id(self) -> int:
        """The number that no incident of this file has had yet, nor one that an order was kept for."""
        with self._open() as db:
            return next_number(db)

    def state(self) -> dict[str, dict[str, object]]:
        """What held when this file was last written, by name."""
        with self._open() as db:
            return self._state(db)

    def _state(self, db: sqlite3.Connection) -> dict[str, dict[str, object]]:
        if check_version(db) < 2:
            return {}
        found = {}
        for key, body in db.execute("SELECT key, body FROM state"):
            value = rows_of.object_of(body)
            if value is None:
                self.odd.add("state", key)
            else:
                found[str(key)] = value
        return found

    def exceptions(self) -> list[KeptException]:
        """Exceptions that were made from incidents and not taken back, oldest first; ended ones too."""
        with self._open() as db:
            if check_version(db) < 2:
                return []
            rows = db.execute("SELECT incident, given, body FROM exceptions ORDER BY rowid").fetchall()
        found: dict[int, KeptException] = {}
        for number, given, body in rows:
            value = rows_of.object_of(body)
            if value is None or not is_number(number) or (given and not rows_of.is_exception(value)):
                self.odd.add("exceptions", (number, body))
                continue
            found.pop(number, None)
            if given:
                found[number] = cast("KeptException", value)
        return list(found.values())

    def incidents(
        self, state: str = "all", since_ms: int = 0, until_ms: int = 1 << 62, limit: int = MOST_INCIDENTS
    ) -> list[KeptIncident]:
        """Records that were open at some time between, newest first; parts of wider incidents belong to those."""
        where = {"open": "closed_ms IS NULL", "closed": "closed_ms IS NOT NULL"}.get(state, "1")
        with self._open() as db:
            rows = db.execute(
                f"SELECT id, opened_ms, body FROM incidents WHERE {where} "
                "AND coalesce(closed_ms, ?) >= ? AND opened_ms <= ? ORDER BY opened_ms DESC, id DESC LIMIT ?",
                (1 << 62, since_ms, until_ms, limit),
            ).fetchall()
            return [record for record in self._records(db, rows) if not record.get("part_of")]

    def incident(self, number: int) -> KeptIncident | None:
        """The newest incident of that number."""
        with self._open() as db:
            rows = db.execute(
                "SELECT id, opened_ms, body FROM incidents WHERE id = ? ORDER BY opened_ms DESC LIMIT 8", (number,)
            ).fetchall()
            return next(iter(self._records(db, rows)), None)

    def _records(self, db: sqlite3.Connection, rows: list[tuple[int, int, str]]) -> list[KeptIncident]:
        """The records of rows (id, opened_ms, body), each with its newest acknowledgement.

        An acknowledgement is committed when it is answered; the body that has it may never have been written.
        """
        found = []
        for row in rows:
            record = rows_of.record_of(*row)
            if record is None:
                self.odd.add("incidents", row[:2])
            else:
                found.append(record)
        numbers = json.dumps([record["id"] for record in found])
        given = self.odd.sound(
            "acknowledgements",
            db.execute(
                "SELECT incident, at_ms, given, by, note FROM acknowledgements "
                "WHERE incident IN (SELECT value FROM json_each(?)) ORDER BY rowid",
                (numbers,),
            ),
            rows_of.is_acknowledgement,
        )
        newest = {number: acknowledgement for number, *acknowledgement in given}
        for record in found:
            if record["id"] in newest:
                acknowledge(record, *newest[record["id"]])
        return found

    def marks(self, since_ms: int, until_ms: int, limit: int = 1000) -> list[tuple[int, str, str]]:
        """(at, text, by), oldest first; the newest `limit` of them."""
        with self._open() as db:
            rows = db.execute(
                "SELECT at_ms, text, by FROM marks WHERE at_ms BETWEEN ? AND ? ORDER BY at_ms DESC LIMIT ?",
                (since_ms, until_ms, limit),
            ).fetchall()
        return self.odd.sound("marks", rows[::-1], rows_of.is_mark)

    def clock_steps(self) -> list[ClockStep]:
        """Where this computer's clock was set, in the order in which it was."""
        with self._open() as db:
            if check_version(db) < 5:
                return []
            rows = db.execute("SELECT at_ms, step_ms FROM clock_steps ORDER BY rowid").fetchall()
        return self.odd.sound("clock_steps", rows, rows_of.is_clock_step)

    def phases(self, until_ms: int = 1 << 62) -> list[tuple[int, str]]:
        """(since, phase), oldest first. A phase that continues over a restart is one."""
        with self._open() as db:
            rows = db.execute("SELECT at_ms, phase FROM phases WHERE at_ms <= ? ORDER BY at_ms", (until_ms,)).fetchall()
        found: list[tuple[int, str]] = []
        for row in self.odd.sound("phases", rows, rows_of.is_phase):
            if not found or found[-1][1] != row[1]:
                found.append(row)
        return found

    def not_judged(self, since_ms: int, until_ms: int) -> list[Interval]:
        """(from, to, network, reason) that touch the span, oldest first."""
        with self._open() as db:
            rows = db.execute(
                "SELECT from_ms, to_ms, network, reason FROM not_judged WHERE from_ms <= ? AND coalesce(to_ms, ?) >= ? "
                "ORDER BY from_ms",
                (until_ms, 1 << 62, since_ms),
            ).fetchall()
        found: list[Interval] = []
        for row in self.odd.sound("not_judged", rows, rows_of.is_interval):
            if found and _is_same_interval(found[-1], row):
                found[-1] = (found[-1][0], *row[1:])
            else:
                found.append(row)
        return found

    def minutes(self, universe: str, first: int, last: int) -> list[MinuteRow]:
        """One universe's minutes, first and last included, oldest first."""
        with self._open() as db:
            return history_minutes.minutes_of(db, universe, first, last, self.odd)

    def minutes_of_all(self, first: int, last: int) -> dict[str, list[MinuteRow]]:
        """Every universe's minutes, first and last included, oldest first."""
        with self._open() as db:
            return history_minutes.minutes_of_all(db, first, last, self.odd)

    def heard_lately(self, minutes: int) -> list[tuple[str, int]]:
        """Universes that had frames in the newest minutes that are kept, each with the last such minute."""
        with self._open() as db:
            return history_minutes.heard_lately(db, minutes)

    def heard_steps(self, first: int, last: int, step: int) -> list[int]:
        """Starts of the steps of this many minutes, at multiples of it, in which any universe had frames; oldest
        first."""
        with self._open() as db:
            return history_minutes.heard_steps(db, first, last, step)

    def heard_between(self, first: int, last: int) -> tuple[int, int] | None:
        """The first and the last minute in which any universe had frames; None: there is none."""
        with self._open() as db:
            return history_minutes.heard_between(db, first, last)

    def usual(self, universe: str | None = None) -> UsualRows:
        """Figures of shows, of one universe or of all; and of all, when they begin and what grows worse."""
        with self._open() as db:
            if check_version(db) < 4:
                return UsualRows()
            shows = shows_of(db, self.odd, universe)
            keyed = {(name, row.since_ms): row for name, rows in shows.items() for row in rows}
            return UsualRows(keyed, starts_of(db, self.odd), dict(trends_of(db, self.odd)))

    def sums(self, first: int, last: int) -> list[MinuteSums]:
        """Every universe's minutes from first to last, counted up by the worst state that each had."""
        with self._open() as db:
            return history_minutes.sums(db, first, last)

    def first_minute(self) -> int:
        """The oldest minute that is kept; 0 for none."""
        with self._open() as db:
            return history_minutes.first_minute(db)

    def last_minute(self) -> int:
        """The newest minute that is kept; 0 for none."""
        with self._open() as db:
            return history_minutes.last_minute(db)

    def written_ms(self) -> int:
        """When a minute began, or a mark was made, that is the newest one kept; 0 for none."""
        with self._open() as db:
            marked = db.execute("SELECT max(at_ms) FROM marks WHERE typeof(at_ms) = 'integer'").fetchone()[0]
        return max(self.last_minute() * 60_000, int(marked or 0))

    def hours(self) -> list[dict[str, object]]:
        """Rows of hours burnt, as they were given."""
        with self._open() as db:
            return self._objects("hours", db.execute("SELECT key, body FROM hours ORDER BY key"))

    def _objects(self, table: str, rows: Iterable[tuple[str | int, str]]) -> list[dict[str, object]]:
        found = []
        for key, body in rows:
            value = rows_of.object_of(body)
            if value is None:
                self.odd.add(table, key)
            else:
                found.append(value)
        return found

    def rig_check(self) -> dict[str, object] | None:
        """The newest rig check."""
        with self._open() as db:
            rows = db.execute("SELECT at_ms, body FROM rig_checks ORDER BY at_ms DESC LIMIT 8").fetchall()
        return next(iter(self._objects("rig_checks", rows)), None)

    def references(self) -> list[tuple[str, int, str, dict[str, object]]]:
        """(name, kept at, by, about) of all reference levels, newest first."""
        with self._open() as db:
            if check_version(db) < 3:
                return []
            rows = db.execute(
                "SELECT name, at_ms, by, about FROM reference_levels WHERE typeof(at_ms) = 'integer' "
                "ORDER BY at_ms DESC, name"
            ).fetchall()
        found = []
        for name, at_ms, by, about in rows:
            value = rows_of.object_of(about)
            if value is None or not rows_of.is_time(at_ms):
                self.odd.add("reference_levels", name)
            else:
                found.append((str(name), int(at_ms), str(by), value))
        return found

    def reference(self, name: str) -> Reference | None:
        """The reference levels of that name. ValueError if what is kept cannot be read."""
        with self._open() as db:
            if check_version(db) < 3:
                return None
            row = db.execute("SELECT body FROM reference_levels WHERE name = ?", (name,)).fetchone()
        return None if row is None else unpack(bytes(row[0]))

    def last_good(self, incident: int, opened_ms: int) -> dict[str, object] | None:
        """The last good levels that were kept for an incident."""
        with self._open() as db:
            if check_version(db) < 3:
                return None
            row = db.execute(
                "SELECT body FROM last_good WHERE incident = ? AND opened_ms = ?", (incident, opened_ms)
            ).fetchone()
        try:
            return None if row is None else rows_of.object_of(zlib.decompress(row[0]))
        except (zlib.error, TypeError):
            self.odd.add("last_good", incident)
            return None


def _is_same_interval(before: Interval, row: Interval) -> bool:
    """Whether it is one interval, reported again after a restart under a wall clock that was corrected meanwhile.

    Two intervals that follow each other do not overlap, however soon after the first the second begins.
    """
    overlaps = before[1] is None or row[0] < before[1]
    return overlaps and row[2:] == before[2:] and row[0] - before[0] < SAME_MS
