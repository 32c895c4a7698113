"""Rows of a history file that are valid SQLite and may still be odd: each is looked at before it is used.

SQLite allows any value in any column, and a file may have been edited, damaged or restored in part. What does not
fit is set aside and counted; it stays in the file.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterable, Mapping
from typing import TypeGuard, TypeVar, cast

from slotwatch.edge.front.history_number import is_number
from slotwatch.snapshot import UniverseState
from slotwatch.views.incidents import incident
from slotwatch.views.kept import KeptException, KeptIncident
from slotwatch.views.records import exception_of, incident_of

LATEST_MS = 253_402_300_799_000
"""The last second of the year 9999: what comes later no date can show."""
MOST_KEPT = 10_000
MOST = (1 << 48) - 1
"""The largest number of a minute: sums of a year of them still fit SQLite's 64 bits."""
_TEXTS = ("rule", "cause", "summary", "accepted")
_LISTS = ("universes", "sources", "fixtures", "evidence", "also_possible", "still_working", "next_checks")

_T = TypeVar("_T")


class SetAside:
    """Which rows were odd, each counted once however often it is read. Any thread may use it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._rows: set[tuple[str, str]] = set()

    @property
    def count(self) -> int:
        """How many rows were set aside, at most MOST_KEPT."""
        return len(self._rows)

    def add(self, table: str, row: object) -> None:
        with self._lock:
            if len(self._rows) < MOST_KEPT:
                self._rows.add((table, repr(row)[:200]))

    def sound(self, table: str, rows: Iterable[_T], is_sound: Callable[[_T], bool]) -> list[_T]:
        """The rows that fit; the others are set aside."""
        found = []
        for row in rows:
            if is_sound(row):
                found.append(row)
            else:
                self.add(table, row)
        return found


def is_time(value: object) -> TypeGuard[int]:
    """Whether this is a wall-clock time in ms that can be shown."""
    return type(value) is int and 0 <= value <= LATEST_MS


def is_mark(row: tuple[object, ...]) -> bool:
    """(at, text, by)."""
    return is_time(row[0]) and isinstance(row[1], str) and isinstance(row[2], str)


def is_clock_step(row: tuple[object, ...]) -> bool:
    """(at, by how much)."""
    at_ms, step_ms = row
    return is_time(at_ms) and type(step_ms) is int and is_time(abs(step_ms))


def is_phase(row: tuple[object, ...]) -> bool:
    """(since, phase)."""
    return is_time(row[0]) and isinstance(row[1], str)


def is_interval(row: tuple[object, ...]) -> bool:
    """(from, to or None, network, reason)."""
    start, end, network, reason = row
    in_order = end is None or (is_time(end) and is_time(start) and end >= start)
    return is_time(start) and in_order and isinstance(network, str) and isinstance(reason, str)


def is_acknowledgement(row: tuple[object, ...]) -> bool:
    """(incident, at, given, by, note)."""
    number, at_ms, given, by, note = row
    return is_number(number) and is_time(at_ms) and given in (0, 1) and isinstance(by, str) and isinstance(note, str)


def is_exception(value: Mapping[str, object]) -> bool:
    """Whether this is an exception that was made from an incident."""
    try:
        made = exception_of(cast("KeptException", value))
    except (KeyError, TypeError, ValueError):
        return False
    return is_number(made.incident) and is_time(made.until_wall_ns // 1_000_000)


def is_minute(row: tuple[object, ...]) -> TypeGuard[tuple[int, ...]]:
    """(minute, frames, centihertz, worst gap, lost, sources, state, not judged): numbers that sums can hold."""
    numbers = [value for value in row if type(value) is int and 0 <= value <= MOST]
    return len(numbers) == len(row) and numbers[6] <= max(UniverseState)


def object_of(body: str | bytes) -> dict[str, object] | None:
    """The JSON object of a body; None if it is none."""
    try:
        found = json.loads(body)
    except (TypeError, ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def record_of(number: object, opened_ms: object, body: str | bytes) -> KeptIncident | None:
    """The incident's record of a row; None if anything of it does not fit."""
    kept = object_of(body)
    if kept is None or not is_number(number) or kept.get("id") != number or not is_time(opened_ms):
        return None
    times = [kept.get("began_wall_ns"), kept.get("opened_wall_ns")]
    times += [kept["closed_wall_ns"]] if kept.get("closed_wall_ns") is not None else []
    if not all(type(time) is int and is_time(time // 1_000_000) for time in times):
        return None
    if not all(isinstance(kept.get(name), str) for name in _TEXTS):
        return None
    if not all(_texts(kept.get(name)) for name in _LISTS):
        return None
    try:
        record = cast("KeptIncident", kept)
        incident(incident_of(record, 0))  # what the page and the report would do with it
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, OSError):
        return None
    return record


def _texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, str) for one in value)
