"""The history's SQLite file, as its readers see it. A connection for each question: reading never delays writing."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from slotwatch.snapshot import MinuteRow
from slotwatch.views.show import MinuteSums

MOST_INCIDENTS = 10_000
SAME_MS = 1000


class Archive:
    """Questions to a history file. All times are wall-clock milliseconds. sqlite3.Error as it comes."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        db = self._connect("mode=ro")
        try:
            try:
                db.execute("SELECT 1 FROM sqlite_master LIMIT 1")
            except sqlite3.OperationalError:
                # Without the right to write here nobody can make the log's index; without a log none is needed.
                if self.path.with_name(self.path.name + "-wal").exists():
                    raise
                db.close()
                db = self._connect("mode=ro&immutable=1")
            yield db
        finally:
            db.close()

    def _connect(self, how: str) -> sqlite3.Connection:
        return sqlite3.connect(f"file:{quote(str(self.path))}?{how}", uri=True, timeout=2.0)

    def next_id(self) -> int:
        """The number that no incident has had yet."""
        with self._open() as db:
            return int(db.execute("SELECT coalesce(max(id), 0) + 1 FROM incidents").fetchone()[0])

    def incidents(
        self, state: str = "all", since_ms: int = 0, until_ms: int = 1 << 62, limit: int = MOST_INCIDENTS
    ) -> list[dict[str, Any]]:
        """Records that were open at some time between, newest first."""
        where = {"open": "closed_ms IS NULL", "closed": "closed_ms IS NOT NULL"}.get(state, "1")
        with self._open() as db:
            rows = db.execute(
                f"SELECT body FROM incidents WHERE {where} AND coalesce(closed_ms, ?) >= ? AND opened_ms <= ? "
                "ORDER BY opened_ms DESC, id DESC LIMIT ?",
                (1 << 62, since_ms, until_ms, limit),
            ).fetchall()
        return [json.loads(body) for (body,) in rows]

    def incident(self, number: int) -> dict[str, Any] | None:
        """The newest incident of that number."""
        with self._open() as db:
            row = db.execute(
                "SELECT body FROM incidents WHERE id = ? ORDER BY opened_ms DESC LIMIT 1", (number,)
            ).fetchone()
        return None if row is None else json.loads(row[0])

    def marks(self, since_ms: int, until_ms: int, limit: int = 1000) -> list[tuple[int, str, str]]:
        """(at, text, by), oldest first; the newest `limit` of them."""
        with self._open() as db:
            rows = db.execute(
                "SELECT at_ms, text, by FROM marks WHERE at_ms BETWEEN ? AND ? ORDER BY at_ms DESC LIMIT ?",
                (since_ms, until_ms, limit),
            ).fetchall()
        return rows[::-1]

    def phases(self, until_ms: int = 1 << 62) -> list[tuple[int, str]]:
        """(since, phase), oldest first."""
        with self._open() as db:
            return db.execute("SELECT at_ms, phase FROM phases WHERE at_ms <= ? ORDER BY at_ms", (until_ms,)).fetchall()

    def not_judged(self, since_ms: int, until_ms: int) -> list[tuple[int, int | None, str, str]]:
        """(from, to, network, reason) that touch the span, oldest first."""
        with self._open() as db:
            rows = db.execute(
                "SELECT from_ms, to_ms, network, reason FROM not_judged WHERE from_ms <= ? AND coalesce(to_ms, ?) >= ? "
                "ORDER BY from_ms",
                (until_ms, 1 << 62, since_ms),
            ).fetchall()
        found: list[tuple[int, int | None, str, str]] = []
        for row in rows:
            # One interval, told again after a restart under a wall clock that was corrected meanwhile.
            if found and row[2:] == found[-1][2:] and row[0] - found[-1][0] < SAME_MS:
                found[-1] = (found[-1][0], *row[1:])
            else:
                found.append(row)
        return found

    def minutes(self, universe: str, first: int, last: int) -> list[MinuteRow]:
        """One universe's minutes, first and last included, oldest first."""
        with self._open() as db:
            row = db.execute("SELECT id FROM universes WHERE name = ?", (universe,)).fetchone()
            if row is None:
                return []
            # Rows lie by minute: look each minute up, rather than read all universes of all minutes.
            found = db.execute(
                "WITH RECURSIVE span(m) AS (SELECT max(?1, coalesce((SELECT min(minute) FROM minutes), ?2 + 1)) "
                "UNION ALL SELECT m + 1 FROM span WHERE m < min(?2, (SELECT max(minute) FROM minutes))) "
                "SELECT minute, frames, centihertz, worst_gap_ms, lost, sources, state, not_judged_ds "
                "FROM span CROSS JOIN minutes ON minute = m AND universe = ?3 WHERE m <= ?2",
                (first, last, row[0]),
            ).fetchall()
        return [_minute(universe, row) for row in found]

    def sums(self, first: int, last: int) -> list[MinuteSums]:
        """Every universe's minutes from first to last, counted up by the worst state that each had."""
        with self._open() as db:
            # With a lone max() SQLite takes the bare column `minute` from the row that holds the maximum.
            rows = db.execute(
                "SELECT name, state, count(*), sum(frames), sum(lost), max(worst_gap_ms), minute, "
                "sum(centihertz * (frames > 0)) / 100.0, sum(frames > 0), sum(not_judged_ds) / 10.0 "
                "FROM minutes JOIN universes ON universes.id = minutes.universe WHERE minute BETWEEN ? AND ? "
                "GROUP BY minutes.universe, state ORDER BY minutes.universe, state",
                (first, last),
            ).fetchall()
        return [MinuteSums(*row) for row in rows]

    def last_minute(self) -> int:
        """The newest minute that is kept; 0 for none."""
        with self._open() as db:
            return int(db.execute("SELECT coalesce(max(minute), 0) FROM minutes").fetchone()[0])

    def hours(self) -> list[dict[str, Any]]:
        """Rows of hours burnt, as they were given."""
        with self._open() as db:
            return [json.loads(body) for (body,) in db.execute("SELECT body FROM hours ORDER BY key")]

    def rig_check(self) -> dict[str, Any] | None:
        """The newest rig check."""
        with self._open() as db:
            row = db.execute("SELECT body FROM rig_checks ORDER BY at_ms DESC LIMIT 1").fetchone()
        return None if row is None else json.loads(row[0])


def _minute(universe: str, row: tuple[Any, ...]) -> MinuteRow:
    minute, frames, centihertz, worst_gap_ms, lost, sources, state, not_judged_ds = row
    return MinuteRow(
        minute, universe, frames, centihertz / 100, float(worst_gap_ms), lost, sources, state, not_judged_ds / 10
    )
