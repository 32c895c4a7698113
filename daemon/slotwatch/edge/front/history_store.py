"""The history's SQLite file, as its writer sees it: the tables, and what is put into them.

Write-ahead log with synchronous=FULL: what was committed survives a power cut. A minute of 512 universes is one
transaction, so it costs one flush a minute; incidents, acknowledgements and marks cost one each (0.2 ms measured).
Rows are small on purpose: 512 universes for 30 days are 22 million of them.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from slotwatch.durations import MILLISECOND_NS
from slotwatch.edge.front.clock_ahead import ClockStep
from slotwatch.edge.front.history_layout import bring_up_to_date, check_version
from slotwatch.edge.front.history_rows import is_minute, object_of
from slotwatch.edge.front.history_shows import UsualRows, forget_shows
from slotwatch.edge.front.history_streams import SourceIds, forget_streams, write_streams
from slotwatch.snapshot import STATE_RANKS
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.views.kept import KeptIncident

FORGET_ROWS = 20_000
_STATE = 7
"""Place of the state in a row of `minutes`."""
_Key = TypeVar("_Key", str, int)


@dataclass(frozen=True, slots=True)
class ReferenceRow:
    """Reference levels as they are stored."""

    at_ms: int
    by: str
    about: Mapping[str, object]
    """What lists say of them."""
    body: bytes


@dataclass(slots=True)
class Pending:
    """What waits to be written. Newer states of one thing replace older ones, so it cannot grow without end."""

    incidents: dict[tuple[int, int], KeptIncident] = field(default_factory=dict)
    acknowledgements: list[tuple[int, int, int, str, str]] = field(default_factory=list)
    marks: list[tuple[int, str, str]] = field(default_factory=list)
    phases: dict[int, str] = field(default_factory=dict)
    not_judged: dict[tuple[int, str], tuple[int | None, str]] = field(default_factory=dict)
    minutes: list[MinuteRow] = field(default_factory=list)
    hours: dict[str, Mapping[str, object]] = field(default_factory=dict)
    rig_checks: dict[int, Mapping[str, object]] = field(default_factory=dict)
    exceptions: list[tuple[int, int, int, Mapping[str, object]]] = field(default_factory=list)
    """(at, incident, 1 made or 0 taken back, the exception)."""
    state: dict[str, Mapping[str, object]] = field(default_factory=dict)
    """What holds now, by name."""
    references: dict[str, ReferenceRow | None] = field(default_factory=dict)
    """Reference levels by name; None: they are deleted."""
    last_good: dict[tuple[int, int], bytes] = field(default_factory=dict)
    """By incident and when it was opened."""
    usual: UsualRows = field(default_factory=UsualRows)
    clock_steps: list[ClockStep] = field(default_factory=list)

    def __bool__(self) -> bool:
        return any(getattr(self, name) for name in self.__slots__)

    def before(self, newer: Pending) -> Pending:
        """This, and then `newer` on top: what could not be written waits with what came since."""
        return Pending(
            incidents=self.incidents | newer.incidents,
            acknowledgements=self.acknowledgements + newer.acknowledgements,
            marks=self.marks + newer.marks,
            phases=self.phases | newer.phases,
            not_judged=self.not_judged | newer.not_judged,
            minutes=self.minutes + newer.minutes,
            hours=self.hours | newer.hours,
            rig_checks=self.rig_checks | newer.rig_checks,
            exceptions=self.exceptions + newer.exceptions,
            state=self.state | newer.state,
            references=self.references | newer.references,
            last_good=self.last_good | newer.last_good,
            usual=self.usual | newer.usual,
            clock_steps=self.clock_steps + newer.clock_steps,
        )


class Store:
    """The writer's connection. Every method raises sqlite3.Error as it comes."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._db = sqlite3.connect(path, timeout=2.0, isolation_level=None)
        try:
            check_version(self._db)
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.execute("PRAGMA wal_autocheckpoint=1000")
            bring_up_to_date(self._db)
            # An interval that was open when this program ended is known to have lasted as long as minutes were kept.
            self._db.execute(
                "UPDATE not_judged SET to_ms = max(from_ms, coalesce((SELECT max(minute) * 60000 FROM minutes), 0)) "
                "WHERE to_ms IS NULL"
            )
            self._universes: dict[str, int] = dict(self._db.execute("SELECT name, id FROM universes"))
            self._sources = SourceIds(self._db)
            self._file = path.stat()
        except BaseException:
            self._db.close()
            raise

    def close(self) -> None:
        self._db.close()

    @property
    def is_in_place(self) -> bool:
        """Whether the file is still the one at its path: what is written into one that was removed is lost."""
        try:
            return os.path.samestat(self._path.stat(), self._file)
        except OSError:
            return False

    def clock(self) -> dict[str, object] | None:
        """What was kept of the wall clock; None in a file that has nothing of it."""
        row = self._db.execute("SELECT body FROM state WHERE key = 'clock'").fetchone()
        return None if row is None else object_of(row[0])

    def write(self, pending: Pending) -> None:
        """Put everything in, in one transaction: all of it or nothing."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            self._write(pending)
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            self._universes = {}
            self._sources = SourceIds(self._db)
            raise

    def _write(self, pending: Pending) -> None:
        db = self._db
        db.executemany(
            "INSERT INTO incidents VALUES (?,?,?,?,?,?,?) ON CONFLICT (id, opened_ms) DO UPDATE SET "
            "closed_ms=excluded.closed_ms, severity=excluded.severity, rule=excluded.rule, "
            "revision=excluded.revision, body=excluded.body",
            (_incident_row(record) for record in pending.incidents.values()),
        )
        db.executemany("INSERT INTO acknowledgements VALUES (?,?,?,?,?)", pending.acknowledgements)
        db.executemany(
            "INSERT INTO exceptions VALUES (?,?,?,?)", ((*row, _text(body)) for *row, body in pending.exceptions)
        )
        db.executemany("INSERT OR REPLACE INTO state VALUES (?,?)", _bodies(pending.state.items()))
        db.executemany("INSERT INTO marks VALUES (?,?,?)", pending.marks)
        for step in pending.clock_steps:
            self._take_clock_step(*step)
        db.executemany("INSERT OR REPLACE INTO phases VALUES (?,?)", pending.phases.items())
        db.executemany(
            "INSERT OR REPLACE INTO not_judged VALUES (?,?,?,?)",
            ((start, network, end, why) for (start, network), (end, why) in pending.not_judged.items()),
        )
        if pending.minutes:
            self._name_universes({row.universe for row in pending.minutes})
            db.executemany(
                "INSERT OR REPLACE INTO minutes VALUES (?,?,?,?,?,?,?,?,?)", map(self._minute_row, pending.minutes)
            )
            write_streams(db, pending.minutes, self._universes, self._sources)
        pending.usual.write(db)
        db.executemany("INSERT OR REPLACE INTO hours VALUES (?,?)", _bodies(pending.hours.items()))
        db.executemany("INSERT OR REPLACE INTO rig_checks VALUES (?,?)", _bodies(pending.rig_checks.items()))
        for name, row in pending.references.items():
            db.execute("DELETE FROM reference_levels WHERE name = ?", (name,))
            if row is not None:
                values = (name, row.at_ms, row.by, _text(row.about), row.body)
                db.execute("INSERT INTO reference_levels VALUES (?,?,?,?,?)", values)
        db.executemany(
            "INSERT OR REPLACE INTO last_good VALUES (?,?,?)",
            ((*key, raw) for key, raw in pending.last_good.items()),
        )

    def _take_clock_step(self, at_ms: int, step_ms: int) -> None:
        """Keep that the clock was set. Phases that began while it was ahead are dated by it as it is now: their order
        says which is the last one."""
        self._db.execute("INSERT INTO clock_steps VALUES (?,?)", (at_ms, step_ms))
        if step_ms < 0:
            ahead = "at_ms > ?1 AND at_ms <= ?1 - ?2"
            self._db.execute(f"UPDATE OR REPLACE phases SET at_ms = at_ms + ?2 WHERE {ahead}", (at_ms, step_ms))

    def _name_universes(self, names: set[str]) -> None:
        new = sorted(names - self._universes.keys())
        if new:
            self._db.executemany("INSERT OR IGNORE INTO universes (name) VALUES (?)", ((name,) for name in new))
            self._universes = dict(self._db.execute("SELECT name, id FROM universes"))

    def _minute_row(self, row: MinuteRow) -> tuple[int, ...]:
        """The row as it is kept. Of a minute that a clock had twice, because it was set back, the larger of each figure
        and the worse state count."""
        new = self._numbers(row)
        found = self._db.execute("SELECT * FROM minutes WHERE minute = ? AND universe = ?", new[:2]).fetchone()
        if found is None or not is_minute((found[0], *found[2:])):
            return new
        merged = [max(pair) for pair in zip(found, new, strict=True)]
        merged[_STATE] = max(found[_STATE], new[_STATE], key=STATE_RANKS.__getitem__)
        return tuple(merged)

    def _numbers(self, row: MinuteRow) -> tuple[int, ...]:
        return (
            row.minute,
            self._universes[row.universe],
            row.frames,
            round(row.refresh_hz * 100) if row.refresh_hz == row.refresh_hz else 0,
            min(round(row.worst_gap_ms), 2**31) if row.worst_gap_ms == row.worst_gap_ms else 0,
            row.lost_frames,
            row.sources,
            int(row.state),
            round(row.not_judged_s * 10),
        )

    def forget(self, before_ms: int) -> bool:
        """Drop some of what is older; True if there is more, so that an incident need not wait for a whole month.

        Hours of lamps are kept for years.
        """
        if forget_streams(self._db, before_ms // 60_000, FORGET_ROWS):
            return True
        some = self._db.execute(
            "DELETE FROM minutes WHERE (minute, universe) IN "
            f"(SELECT minute, universe FROM minutes WHERE minute < ? LIMIT {FORGET_ROWS})",
            (before_ms // 60_000,),
        )
        if some.rowcount == FORGET_ROWS:
            return True
        forget_shows(self._db)
        self._db.execute("DELETE FROM incidents WHERE closed_ms IS NOT NULL AND closed_ms < ?", (before_ms,))
        self._db.execute(
            "DELETE FROM last_good WHERE opened_ms < ? AND NOT EXISTS (SELECT 1 FROM incidents "
            "WHERE incidents.id = last_good.incident AND incidents.opened_ms = last_good.opened_ms)",
            (before_ms,),
        )
        # An exception may hold for years: of each incident the newest row stays.
        self._db.execute(
            "DELETE FROM exceptions WHERE at_ms < ? AND (given = 0 OR rowid NOT IN "
            "(SELECT max(rowid) FROM exceptions GROUP BY incident))",
            (before_ms,),
        )
        for table in ("acknowledgements", "marks", "phases", "rig_checks", "clock_steps"):
            # The newest phase and rig check stay: they are what holds now.
            keep = f"AND at_ms < (SELECT max(at_ms) FROM {table})" if table in ("phases", "rig_checks") else ""
            self._db.execute(f"DELETE FROM {table} WHERE at_ms < ? {keep}", (before_ms,))
        self._db.execute("DELETE FROM not_judged WHERE to_ms < ?", (before_ms,))
        return False


def _incident_row(record: KeptIncident) -> tuple[int | str | None, ...]:
    closed = record["closed_wall_ns"]
    return (
        record["id"],
        record["opened_wall_ns"] // MILLISECOND_NS,
        None if closed is None else closed // MILLISECOND_NS,
        record["severity"],
        record["rule"],
        record["revision"],
        _text(record),
    )


def _bodies(rows: Iterable[tuple[_Key, Mapping[str, object]]]) -> Iterable[tuple[_Key, str]]:
    return ((key, _text(body)) for key, body in rows)


def _text(body: Mapping[str, object]) -> str:
    return json.dumps(body, separators=(",", ":"), default=str)
