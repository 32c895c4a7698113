"""The circuits from a CSV file: which way of which rack feeds them, and what they feed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from slotwatch.errors import Problem
from slotwatch.house.cells import amount, whole
from slotwatch.house.schema import Circuit
from slotwatch.house.sheet import Column, Row, condensed, read_sheet

COLUMNS = (
    Column("circuit", ("circ", "cct", "ckt", "circuit no", "circuit number", "name"), True),
    Column("rack", ("dimmer rack", "rack name"), True),
    Column("way", ("way no", "way number", "dimmer", "module no", "outlet"), True),
    Column("module", ("module type", "type")),
    Column("load_w", ("load w", "load", "watts", "power", "power w", "w")),
    Column("curve", ("dimmer curve", "law")),
    Column("limit_a", ("limit a", "limit", "breaker", "breaker a", "fuse", "fuse a", "amps")),
    Column("rated_life_h", ("rated life h", "rated life", "lamp life", "lamp life h")),
)
MODULES = ("dimmer", "switched", "unswitched")
CURVES = ("linear", "square", "switched")
_MODULE_WORDS = {"relay": "switched", "non-dim": "switched", "nondim": "switched", "dim": "dimmer", "hot": "unswitched"}


@dataclass(slots=True)
class Circuits:
    circuits: list[Circuit] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def read_circuits(file: str, data: bytes, own_columns: tuple[tuple[str, str], ...] = ()) -> Circuits:
    """Read a CSV circuit list. HouseFileError if it is not a table; faults of single rows are in `problems`."""
    sheet = read_sheet(file, data, COLUMNS, own_columns)
    read = Circuits(problems=list(sheet.problems), notes=[f"{file}: {sheet.readings}"])
    seen: dict[str, int] = {}
    for row in sheet.rows:
        values: dict[str, Any] = {}
        for column, convert in _CONVERT.items():
            try:
                values[column] = convert(row[column])
            except ValueError as error:
                read.problems.append(Problem(file, row.number, column, row[column] or "an empty cell", str(error)))
        if row["circuit"] in seen:
            wanted = f"this circuit is in row {seen[row['circuit']]} already; each may be listed once"
            read.problems.append(Problem(file, row.number, "circuit", row["circuit"], wanted))
        elif len(values) == len(_CONVERT):
            read.circuits.append(_circuit(file, row, values))
        seen.setdefault(row["circuit"], row.number)
    read.problems = condensed(read.problems)
    return read


def _circuit(file: str, row: Row, values: dict[str, Any]) -> Circuit:
    if not row["curve"]:
        values["curve"] = "linear" if values["module"] == "dimmer" else "switched"
    name = values.pop("circuit")
    return Circuit(name, **values, file=file, row=row.number)


def _named(what: str, text: str) -> str:
    if not text:
        raise ValueError(f"give the {what}")
    return text


def _word(text: str, default: str, words: tuple[str, ...]) -> str:
    word = _MODULE_WORDS.get(text.lower(), text.lower()) or default
    if word not in words:
        raise ValueError("one of these is expected: " + ", ".join(words))
    return word


def _limit(text: str) -> float | None:
    return amount(text, 1000) if text else None


_CONVERT: dict[str, Callable[[str], Any]] = {
    "circuit": lambda text: _named("circuit's name or number", text),
    "rack": lambda text: _named("rack", text),
    "way": lambda text: whole(text, 1, 512),
    "module": lambda text: _word(text, "dimmer", MODULES),
    "load_w": lambda text: amount(text, 1e6) if text else 0.0,
    "curve": lambda text: _word(text, "linear", CURVES),
    "limit_a": _limit,
    "rated_life_h": lambda text: amount(text, 1e6) if text else None,
}
