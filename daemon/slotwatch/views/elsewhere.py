"""One universe as it is heard here and at the other listeners of the house, side by side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from slotwatch.views.answers.traffic import ElsewhereAnswer, ListenerPositionsAnswer, PositionThereAnswer
from slotwatch.views.moments import iso_wall
from slotwatch.views.sheet import Sheet
from slotwatch.views.streams import streams

MOST_THERE = 64
"""Streams of one universe that are given of a listener."""


class PositionThere(Protocol):
    """One stream as another listener gave it; ages are by its own clock."""

    universe: str
    network: str
    source: str
    name: str
    state: str
    frames: int
    missing: int | None
    last_frame_age_s: float | None
    refresh_hz: float | None
    judged: bool
    joined: bool | None


@dataclass(frozen=True, slots=True)
class HeardThere:
    """The newest answer of another listener."""

    asked_wall_ns: int
    streams: Sequence[PositionThere]


def elsewhere(sheet: Sheet, row: int, heard: Mapping[str, HeardThere]) -> ElsewhereAnswer:
    """Give one universe's streams here and there. `row`: of the universe. `heard`: answers by listener."""
    name = sheet.snapshot.universe_names[row]
    found: list[ListenerPositionsAnswer] = []
    for one in sheet.snapshot.listeners:
        answer = heard.get(one.name)
        found.append(
            {
                "listener": one.name,
                "url": one.url,
                "reached": one.reached,
                "reason": one.reason,
                "asked_at": iso_wall(answer.asked_wall_ns) if answer else None,
                "streams": _of(name, answer.streams if answer else ()),
            }
        )
    return {
        "universe": name,
        "here": [one for one in streams(sheet) if one["universe"] == name],
        "there": found,
    }


def _of(name: str, given: Iterable[PositionThere]) -> list[PositionThereAnswer]:
    """Streams of a universe, of the network with the same name where there is one."""
    plain, _, network = name.partition("@")
    same = [one for one in given if one.universe.partition("@")[0] == plain]
    if network:
        same = [one for one in same if one.network == network] or same
    return [
        {
            "source": one.source,
            "name": one.name,
            "network": one.network,
            "state": one.state,
            "frames": one.frames,
            "missing": one.missing,
            "last_frame_age_s": one.last_frame_age_s,
            "refresh_hz": one.refresh_hz,
            # What arrives without being asked for may stop at any time.
            "judged": one.judged and one.joined is not False,
        }
        for one in same[:MOST_THERE]
    ]
