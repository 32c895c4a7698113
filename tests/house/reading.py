"""Files of a house as texts in memory."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from slotwatch.errors import HouseFileError, Problem
from slotwatch.house.load import load_house
from slotwatch.house.schema import House

TODAY = date(2026, 11, 25)


def reader(files: dict[str, str | bytes]) -> Callable[[str], bytes]:
    def read(name: str) -> bytes:
        if name not in files:
            raise HouseFileError([Problem(name, None, "", "", "no such file")])
        held = files[name]
        return held if isinstance(held, bytes) else held.encode()

    return read


def house_of(text: str, today: date = TODAY, **files: str | bytes) -> House:
    """Load `text` as the house file; other files by their name with `_` for the dot."""
    named: dict[str, str | bytes] = {name.replace("_", "."): held for name, held in files.items()}
    return load_house("house.toml", reader({"house.toml": text, **named}), today)


def faults_of(text: str, today: date = TODAY, **files: str | bytes) -> list[str]:
    """The lines that loading it gives."""
    try:
        house_of(text, today, **files)
    except HouseFileError as error:
        return error.lines
    return []
