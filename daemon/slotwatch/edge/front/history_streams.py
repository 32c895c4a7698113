"""Minutes of streams in the history's file: how they are written, read and forgotten.

A row costs about 40 bytes (measured, `benchmarks/history.py`), and there is none for a source that is idle.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import cast

from slotwatch.edge.front.history_rows import SetAside
from slotwatch.model.stream_minutes import MOST_SOURCES as MOST_A_MINUTE
from slotwatch.snapshot.minutes import MinuteRow, StreamMinute

MOST_SOURCES = 10_000
"""Sources that are kept apart; what the network names may not grow the file without end."""
OTHERS = 0
COLUMNS = "rank, source, frames, lost, intervals, centihertz, p50, p95, p99, longest"
_LARGEST = 1 << 48


class SourceIds:
    """The number of each source key in one file."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._ids: dict[str, int] = dict(db.execute("SELECT key, id FROM sources"))

    def of(self, db: sqlite3.Connection, key: str) -> int:
        """Give its number, a new one if need be; OTHERS once there are too many."""
        found = self._ids.get(key)
        if found is None:
            if len(self._ids) >= MOST_SOURCES:
                return OTHERS
            found = self._ids[key] = len(self._ids) + 1
            db.execute("INSERT INTO sources VALUES (?,?)", (found, key))
        return found


def write_streams(
    db: sqlite3.Connection, minutes: Iterable[MinuteRow], universes: Mapping[str, int], sources: SourceIds
) -> None:
    """Put the streams of these minutes in.

    Of a source that sent in both of two minutes that a clock had twice, because it was set back, the larger of each
    figure counts. The later of the two says which source was in control.
    """
    found: dict[tuple[int, int], list[tuple[int, ...]]] = {}
    for row in minutes:
        if not row.streams:
            continue
        place = row.minute, universes[row.universe]
        new = [_figures(one, sources.of(db, one.source)) for one in row.streams]
        held = (
            found.get(place)
            or db.execute(
                f"SELECT {COLUMNS} FROM stream_minutes WHERE minute = ? AND universe = ? ORDER BY rank", place
            ).fetchall()
        )
        found[place] = _of_both(new, held) if held else new
        if held:
            db.execute("DELETE FROM stream_minutes WHERE minute = ? AND universe = ?", place)
    db.executemany(
        "INSERT INTO stream_minutes VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
        ((*place, *figures) for place, rows in found.items() for figures in rows),
    )


def _figures(one: StreamMinute, source: int) -> tuple[int, ...]:
    """A row as COLUMNS names it."""
    times_ms = one.p50_ms, one.p95_ms, one.p99_ms, one.longest_ms
    tenths = (min(round(ms * 10), 2**31) for ms in times_ms)
    return one.rank, source, one.frames, one.lost_frames, one.intervals, round(one.moving_hz * 100), *tenths


def _of_both(newer: Sequence[tuple[int, ...]], before: Sequence[tuple[object, ...]]) -> list[tuple[int, ...]]:
    """Put rows of one minute together with those that it had before, at most MOST_A_MINUTE; odd ones of before go."""
    sound = [cast("tuple[int, ...]", row) for row in before if all(type(value) is int for value in row)]
    by_source = {row[1]: row for row in sound}
    for row in newer:
        held = by_source.get(row[1], row)
        by_source[row[1]] = row[0], row[1], *(max(pair) for pair in zip(row[2:], held[2:], strict=True))
    leads = [row[1] for row in (*newer, *sound) if row[0] == 0][:1]
    others = sorted((row for row in by_source.values() if row[1] not in leads), key=lambda row: -row[2])
    ordered = [*((0, *by_source[source][1:]) for source in leads)]
    ordered += [(rank, *row[1:]) for rank, row in enumerate(others, start=1)]
    return ordered[:MOST_A_MINUTE]


def streams_of(
    db: sqlite3.Connection, universe: int, first: int, last: int, odd: SetAside
) -> dict[int, tuple[StreamMinute, ...]]:
    """Give the streams of one universe by minute, first and last included."""
    found: dict[int, tuple[StreamMinute, ...]] = {}
    rows = db.execute(
        "WITH RECURSIVE span(m) AS (SELECT max(?1, coalesce((SELECT min(minute) FROM stream_minutes), ?2 + 1)) "
        "UNION ALL SELECT m + 1 FROM span WHERE m < min(?2, (SELECT max(minute) FROM stream_minutes))) "
        f"SELECT minute, universe, {COLUMNS}, (SELECT key FROM sources WHERE id = source) "
        "FROM span CROSS JOIN stream_minutes ON minute = m AND universe = ?3 WHERE m <= ?2 ORDER BY minute, rank",
        (first, last, universe),
    )
    for minute, _, one in sound_streams(rows, odd):
        found[minute] = (*found.get(minute, ()), one)
    return found


def streams_between(
    db: sqlite3.Connection, first: int, last: int, odd: SetAside
) -> dict[tuple[int, int], tuple[StreamMinute, ...]]:
    """Give the streams of all universes by minute and the universe's number."""
    found: dict[tuple[int, int], tuple[StreamMinute, ...]] = {}
    rows = db.execute(
        f"SELECT minute, stream_minutes.universe, {COLUMNS}, sources.key "
        "FROM stream_minutes LEFT JOIN sources ON sources.id = stream_minutes.source "
        "WHERE minute BETWEEN ? AND ? ORDER BY minute, stream_minutes.universe, rank",
        (first, last),
    )
    for minute, universe, one in sound_streams(rows, odd):
        found[minute, universe] = (*found.get((minute, universe), ()), one)
    return found


def sound_streams(rows: Iterable[tuple[object, ...]], odd: SetAside) -> Iterator[tuple[int, int, StreamMinute]]:
    """Give minute, universe and stream of each row that fits; the others are set aside."""
    for row in rows:
        *numbers, key = row
        if not all(type(value) is int and 0 <= value < _LARGEST for value in numbers):
            odd.add("stream_minutes", row)
            continue
        minute, universe, rank, _, frames, lost, intervals, centihertz, *tenths = cast("list[int]", numbers)
        p50, p95, p99, longest = (value / 10 for value in tenths)
        source = key if isinstance(key, str) else ""
        one = StreamMinute(source, rank, frames, lost, intervals, centihertz / 100, p50, p95, p99, longest)
        yield minute, universe, one


def forget_streams(db: sqlite3.Connection, before: int, most: int) -> bool:
    """Drop some rows of minutes before this one; whether there may be more."""
    some = db.execute(
        "DELETE FROM stream_minutes WHERE (minute, universe, rank) IN "
        f"(SELECT minute, universe, rank FROM stream_minutes WHERE minute < ? LIMIT {most})",
        (before,),
    )
    return some.rowcount == most
