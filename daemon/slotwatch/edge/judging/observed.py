"""What other processes observe beside packets, as it crosses to judging: fields of messages to observations."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import msgspec

from slotwatch.wire import observation
from slotwatch.wire.observation import Observation

_SEEN: dict[str, Callable[..., Observation]] = {
    "LinkSeen": observation.LinkSeen,
    "JoinSeen": observation.JoinSeen,
}


def observations(fields: dict[str, Any], now_ns: int) -> Iterator[Observation]:
    """Read one observation. Lines come with intake's health; their time is that of the message."""
    kind = fields.get("is", "")
    if kind == "health":
        for line in fields["health"].get("lines", ()):
            faults, breaks = line.get("faults", 0), line.get("breaks", 0)
            yield observation.LineSeen(now_ns, line["number"], line["open"], line["trouble"], faults, breaks)
    elif kind == "ListenerSeen":
        rows = fields["streams"]
        streams = None if rows is None else tuple(observation.StreamElsewhere(*row) for row in rows)
        values = {name: fields[name] for name in ("t_ns", "name", "reached", "reason")}
        yield observation.ListenerSeen(**values, streams=streams)
    elif kind == "SwitchSeen":
        yield msgspec.convert(fields, observation.SwitchSeen, str_keys=True)
    elif kind == "UsualSeen":
        yield observation.UsualSeen(fields["t_ns"], tuple(_usual(*row) for row in fields["universes"]))
    elif kind in _SEEN:
        values = {name: value for name, value in fields.items() if name != "is"}
        if "addresses" in values:
            values["addresses"] = tuple(values["addresses"])
        yield _SEEN[kind](**values)


def _usual(universe: str, source: str, *figures: list[Any] | None) -> observation.UsualOfUniverse:
    made = [None if one is None else observation.UsualFigure(*one) for one in figures]
    return observation.UsualOfUniverse(universe, source, *made)
