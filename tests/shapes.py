"""The fields and types of what crosses processes, written down beside each format's number.

`python -m tests.shapes` writes tests/data/shapes/. It refuses a changed shape under an old number: a process that is
still of the version before would read it wrongly. tests/test_shapes.py compares.
"""

from __future__ import annotations

import dataclasses
import enum
import sys
import types
import typing
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from slotwatch import snapshot
from slotwatch.edge.shared import housing, messages
from slotwatch.edge.shared.messages import intake, lifeline, orders, routes
from slotwatch.house.schema import House
from slotwatch.snapshot import columns, encoding

PLACE = Path(__file__).parent / "data" / "shapes"


def shape_of(*roots: object) -> list[str]:
    """Return a line for each field of every type that these types hold, sorted."""
    lines: set[str] = set()
    seen: set[object] = set()
    waiting = list(roots)
    while waiting:
        kind = waiting.pop()
        try:
            if kind in seen:
                continue
            seen.add(kind)
        except TypeError:
            continue  # an argument of a type that is no type, such as a list of literals
        waiting.extend(typing.get_args(kind))
        origin = typing.get_origin(kind)
        if isinstance(origin, type):
            waiting.append(origin)
        if isinstance(kind, type) and kind.__module__.startswith("slotwatch"):
            if issubclass(kind, messages.ProcessMessage):
                lines.add(f"{kind.__qualname__}: a message")
            for name, held in _fields(kind):
                lines.add(f"{kind.__qualname__}.{name}: {_written(held)}")
                waiting.append(held)
    return sorted(lines)


def _fields(kind: type) -> Iterator[tuple[str, object]]:
    if issubclass(kind, enum.Enum):
        yield from ((one.name, repr(one.value)) for one in kind)
    elif dataclasses.is_dataclass(kind) or issubclass(kind, msgspec.Struct) or hasattr(kind, "_fields"):
        hints = typing.get_type_hints(kind)
        yield from ((name, hints[name]) for name in hints if not name.startswith("__struct"))


def element_type(held: object) -> type | None:
    """The type of an array's elements; None for others. numpy 2.5 keeps the name NDArray, earlier ones do not."""
    origin, arguments = typing.get_origin(held), typing.get_args(held)
    if origin is NDArray:
        return typing.cast(type, arguments[0])
    return typing.cast(type, typing.get_args(arguments[-1])[0]) if origin is np.ndarray else None


def _written(held: object) -> str:
    if isinstance(held, str | typing.TypeVar):
        return str(held)
    if isinstance(held, types.UnionType) or typing.get_origin(held) is typing.Union:
        return " | ".join(_written(one) for one in typing.get_args(held))
    origin, arguments = typing.get_origin(held), typing.get_args(held)
    if origin is typing.Literal:
        return f"Literal{list(arguments)}"
    if (element := element_type(held)) is not None:
        return f"array of {_written(element)}"
    if origin is not None:
        return f"{_written(origin)}[{', '.join(map(_written, arguments))}]"
    return getattr(held, "__qualname__", str(held))


def _columns() -> list[str]:
    tables = {"universes": columns.UNIVERSE_COLUMNS, "streams": columns.STREAM_COLUMNS}
    return [f"{table}.{name}: {kind}" for table, held in tables.items() for name, kind in held]


FORMATS: dict[str, tuple[int, Callable[[], list[str]]]] = {
    "snapshot": (encoding.FORMAT, lambda: [*_columns(), *shape_of(snapshot.Snapshot)]),
    "messages": (
        messages.FORMAT,
        lambda: shape_of(
            intake.FromIntake, intake.ToIntake, lifeline.FromChild, lifeline.ToChild, routes.RouteReport,
            routes.ToRoutes,
            messages.Request[orders.FrontOrder], messages.Done[orders.FrontResult], messages.Refusal,
        ),
    ),
    "house": (housing.FORMAT, lambda: shape_of(House)),
}  # fmt: skip
"""The number of each format, and its shape."""


def recorded(name: str) -> tuple[int, list[str]]:
    """Return the number and the shape that are written down; 0 and nothing before the first time."""
    try:
        first, *lines = (PLACE / f"{name}.txt").read_text().splitlines()
    except FileNotFoundError:
        return 0, []
    return int(first.removeprefix("format ")), lines


def write() -> None:
    """Write all shapes. SystemExit where one changed and its number was not raised."""
    PLACE.mkdir(exist_ok=True)
    for name, (number, shape) in FORMATS.items():
        before, lines = recorded(name)
        now = shape()
        if now != lines and number <= before:
            sys.exit(f"the shape of {name} changed: raise its FORMAT, {number} now, and write it again")
        (PLACE / f"{name}.txt").write_text("\n".join([f"format {number}", *now]) + "\n")


if __name__ == "__main__":
    write()
