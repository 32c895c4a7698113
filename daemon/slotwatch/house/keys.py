"""What a key of the house file is: its kind, its range, its default and its sentence.

The table of all keys is `house.sections`; the reader, the documents and the tests all read it.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class Kind(StrEnum):
    """How a value is written."""

    TEXT = "text"
    WHOLE = "whole number"
    NUMBER = "number"
    YES_NO = "true or false"
    CHOICE = "one of a few words"
    TEXTS = "list of texts"
    CHOICES = "list of a few words"
    NUMBERS = "pair of numbers"
    SLOTS = "pair of slots"
    UNIVERSE = "universe"
    UNIVERSE_ON_NETWORK = "universe, also with a network"
    UNIVERSES_ON_NETWORKS = "list of universes, also with a network"
    TARGET = "universe or serial line"
    UNIVERSE_TABLE = "table of universes"
    LABELS = "table of texts"
    CID = "CID"
    ADDRESS = "address"
    ADDRESSES = "address, or a list of them"
    HOST_PORT = "address and port"
    URL = "URL"
    URLS = "list of URLs"
    DATE = "date"
    MOMENT = "date and time"
    CLOCK = "time of day"
    DAYS = "list of days"
    ORDER = "order of supplies"
    TIME_ZONE = "time zone"


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a section."""

    name: str
    kind: Kind
    sentence: str
    """What it does, for the README and for `check`."""
    default: Any = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    choices: tuple[str, ...] = ()
    required: bool = False


@dataclass(frozen=True, slots=True)
class Section:
    """One table of the house file, or one list of tables."""

    name: str
    """Dotted, as in its header; empty for the top of the file."""
    many: bool
    """Whether it is written `[[name]]`."""
    sentence: str
    keys: tuple[Key, ...]
    in_overlay: bool = False
    """Whether a production's overlay may hold it."""

    @property
    def header(self) -> str:
        return f"[[{self.name}]]" if self.many else f"[{self.name}]" if self.name else "the top of the file"

    def key(self, name: str) -> Key | None:
        return next((key for key in self.keys if key.name == name), None)


def text(name: str, sentence: str, default: str = "", *, required: bool = False) -> Key:
    return Key(name, Kind.TEXT, sentence, default, required=required)


def whole(name: str, sentence: str, default: int | None, low: int, high: int, **more: Any) -> Key:
    return Key(name, Kind.WHOLE, sentence, default, low, high, **more)


def number(name: str, sentence: str, default: float | None, low: float, high: float, **more: Any) -> Key:
    return Key(name, Kind.NUMBER, sentence, default, low, high, **more)


def yes_no(name: str, sentence: str, default: bool) -> Key:
    return Key(name, Kind.YES_NO, sentence, default)


def choice(name: str, sentence: str, default: str, *choices: str, required: bool = False) -> Key:
    return Key(name, Kind.CHOICE, sentence, default, choices=choices, required=required)


def texts(name: str, sentence: str, *, required: bool = False) -> Key:
    return Key(name, Kind.TEXTS, sentence, (), required=required)
