"""The next incident's number, kept a second time beside the history.

A number is never used twice, also when the history was replaced by an older or an empty one: captures, alerts and
people still know the old numbers. Imports no numpy: the process that reads the house file uses it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import TypeGuard
from urllib.parse import quote

from slotwatch.edge.front.history_layout import check_version

LARGEST_NUMBER = 999_999_999
"""No incident's number is larger: one a second for thirty years."""
LONGEST = 32
_NUMBERED = (("incidents", "id"), ("acknowledgements", "incident"), ("exceptions", "incident"))
"""Tables and columns that hold incidents' numbers."""


def is_number(value: object) -> TypeGuard[int]:
    """Whether this may be an incident's number."""
    return type(value) is int and 0 < value <= LARGEST_NUMBER


def next_number(db: sqlite3.Connection) -> int:
    """The number that nothing in this file has had. sqlite3.Error as it comes."""
    newest = 0
    for table, column in _NUMBERED if check_version(db) > 1 else _NUMBERED[:2]:
        highest = f"SELECT max({column}) FROM {table} WHERE typeof({column}) = 'integer' AND {column} BETWEEN 1 AND ?"
        newest = max(newest, db.execute(highest, (LARGEST_NUMBER,)).fetchone()[0] or 0)
    return newest + 1


def number_file(history: Path) -> Path:
    return history.with_name(history.name + "-number")


def keep_number(history: Path, numbers: Mapping[str, object] | None) -> None:
    """Keep the next number if it has risen. OSError as it comes."""
    number = None if numbers is None else numbers.get("next")
    if not is_number(number) or number <= _kept(history):
        return
    place = number_file(history)
    new = place.with_name(place.name + ".new")
    new.write_text(f"{number}\n")
    new.replace(place)


def first_number(history: Path) -> int:
    """The first number that nothing which is kept here has had; 1 where nothing can be read."""
    try:
        with closing(sqlite3.connect(f"file:{quote(str(history))}?mode=ro", uri=True, timeout=2.0)) as db:
            found = next_number(db)
    except (sqlite3.Error, ValueError):
        found = 1
    return max(found, _kept(history))


def _kept(history: Path) -> int:
    try:
        with number_file(history).open("rb") as file:
            text = file.read(LONGEST).strip()
        number = int(text)
    except (OSError, ValueError):
        return 1
    return number if is_number(number) else 1
