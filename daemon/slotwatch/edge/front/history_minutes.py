"""Minutes of universes in the history's file, as they are read.

A minute is a number: wall-clock minutes since 1970. `first` and `last` are included. Rows that do not fit are left out
and counted in `odd`.
"""

from __future__ import annotations

import sqlite3

from slotwatch.durations import MINUTE_MS
from slotwatch.edge.front.history_layout import check_version
from slotwatch.edge.front.history_rows import MOST, SetAside, is_minute, is_time
from slotwatch.edge.front.history_streams import streams_between, streams_of
from slotwatch.snapshot import UniverseState
from slotwatch.snapshot.minutes import MinuteRow, StreamMinute
from slotwatch.views.show import MinuteSums

_COUNTS = ("minute", "frames", "centihertz", "worst_gap_ms", "lost", "sources", "state", "not_judged_ds")
_COLUMNS = ", ".join(_COUNTS)


def minutes_of(db: sqlite3.Connection, universe: str, first: int, last: int, odd: SetAside) -> list[MinuteRow]:
    """One universe's minutes, oldest first."""
    row = db.execute("SELECT id FROM universes WHERE name = ?", (universe,)).fetchone()
    if row is None:
        return []
    # Rows lie by minute: look each minute up, rather than read all universes of all minutes.
    found = db.execute(
        "WITH RECURSIVE span(m) AS (SELECT max(?1, coalesce((SELECT min(minute) FROM minutes), ?2 + 1)) "
        "UNION ALL SELECT m + 1 FROM span WHERE m < min(?2, (SELECT max(minute) FROM minutes))) "
        f"SELECT {_COLUMNS} FROM span CROSS JOIN minutes ON minute = m AND universe = ?3 WHERE m <= ?2",
        (first, last, row[0]),
    ).fetchall()
    streams = streams_of(db, row[0], first, last, odd) if check_version(db) >= 4 else {}
    return [_minute(universe, one, streams.get(one[0], ())) for one in odd.sound("minutes", found, is_minute)]


def minutes_of_all(db: sqlite3.Connection, first: int, last: int, odd: SetAside) -> dict[str, list[MinuteRow]]:
    """Every universe's minutes, oldest first."""
    names = dict(db.execute("SELECT id, name FROM universes WHERE typeof(name) = 'text'"))
    rows = db.execute(
        f"SELECT universe, {_COLUMNS} FROM minutes WHERE minute BETWEEN ? AND ? ORDER BY minute", (first, last)
    ).fetchall()
    streams = streams_between(db, first, last, odd) if check_version(db) >= 4 else {}
    found: dict[str, list[MinuteRow]] = {}
    for universe, *numbers in rows:
        row = tuple(numbers)
        if universe not in names or not is_minute(row):
            odd.add("minutes", row)
            continue
        name = names[universe]
        found.setdefault(name, []).append(_minute(name, row, streams.get((row[0], universe), ())))
    return found


def heard_lately(db: sqlite3.Connection, minutes: int) -> list[tuple[str, int]]:
    """Universes that had frames in the newest minutes that are kept, each with the last such minute."""
    last = last_minute(db)
    rows = db.execute(
        "SELECT name, max(minute) FROM minutes JOIN universes ON universes.id = minutes.universe "
        "WHERE minute BETWEEN ? AND ? AND frames > 0 AND typeof(name) = 'text' GROUP BY minutes.universe",
        (last - minutes + 1, last),
    ).fetchall()
    return [(str(name), minute) for name, minute in rows if is_time(minute * MINUTE_MS)]


def heard_steps(db: sqlite3.Connection, first: int, last: int, step: int) -> list[int]:
    """Starts of the steps of this many minutes, at multiples of it, in which any universe had frames; oldest first."""
    query = "SELECT 1 FROM minutes WHERE minute BETWEEN ? AND ? AND frames > 0 LIMIT 1"
    begins = range(first - first % step, last + 1, step)
    return [at for at in begins if db.execute(query, (max(at, first), min(at + step - 1, last))).fetchone()]


def heard_between(db: sqlite3.Connection, first: int, last: int) -> tuple[int, int] | None:
    """The first and the last minute in which any universe had frames; None: there is none."""
    query = "SELECT minute FROM minutes WHERE minute BETWEEN ? AND ? AND frames > 0 ORDER BY minute {} LIMIT 1"
    ends = [db.execute(query.format(way), (first, last)).fetchone() for way in ("ASC", "DESC")]
    return None if None in ends else (ends[0][0], ends[1][0])


def sums(db: sqlite3.Connection, first: int, last: int) -> list[MinuteSums]:
    """Every universe's minutes, counted up by the worst state that each had."""
    # With a lone max() SQLite takes the bare column `minute` from the row that holds the maximum.
    counted = " AND ".join(f"typeof({name}) = 'integer' AND {name} BETWEEN 0 AND {MOST}" for name in _COUNTS)
    rows = db.execute(
        "SELECT name, state, count(*), sum(frames), sum(lost), max(worst_gap_ms), minute, "
        "sum(centihertz * (frames > 0)) / 100.0, sum(frames > 0), sum(not_judged_ds) / 10.0 "
        "FROM minutes JOIN universes ON universes.id = minutes.universe WHERE minute BETWEEN ? AND ? "
        f"AND {counted} AND typeof(name) = 'text' AND state BETWEEN 0 AND {max(UniverseState)} "
        "GROUP BY minutes.universe, state ORDER BY minutes.universe, state",
        (first, last),
    ).fetchall()
    return [MinuteSums(*row) for row in rows]


def first_minute(db: sqlite3.Connection) -> int:
    """The oldest minute that is kept; 0 for none."""
    found = db.execute("SELECT min(minute) FROM minutes WHERE typeof(minute) = 'integer'").fetchone()[0]
    return int(found or 0)


def last_minute(db: sqlite3.Connection) -> int:
    """The newest minute that is kept; 0 for none."""
    found = db.execute("SELECT max(minute) FROM minutes WHERE typeof(minute) = 'integer'").fetchone()[0]
    return int(found or 0)


def _minute(universe: str, row: tuple[int, ...], streams: tuple[StreamMinute, ...]) -> MinuteRow:
    minute, frames, centihertz, worst_gap_ms, lost, sources, state, not_judged_ds = row
    rate_hz, not_judged_s = centihertz / 100, not_judged_ds / 10
    return MinuteRow(
        minute, universe, frames, rate_hz, float(worst_gap_ms), lost, sources, state, not_judged_s, streams
    )
