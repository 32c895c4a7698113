"""One universe as it is heard here and at the other listeners of the house, side by side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from slotwatch.durations import NANOSECONDS
from slotwatch.views.answers.traffic import ElsewhereAnswer, ListenerPositionsAnswer, PositionThereAnswer
from slotwatch.views.moments import iso_wall
from slotwatch.views.sheet import Sheet
from slotwatch.views.streams import streams
from slotwatch.wire.observation import StreamElsewhere

MOST_THERE = 64
"""Streams of one universe that are given of a listener."""


@dataclass(frozen=True, slots=True)
class HeardThere:
    """The newest answer of another listener."""

    asked_wall_ns: int
    streams: Sequence[StreamElsewhere]
    """Ages are by its own clock."""


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


def _of(name: str, given: Iterable[StreamElsewhere]) -> list[PositionThereAnswer]:
    """Streams of a universe, of the network with the same name where there is one."""
    plain, _, network = name.partition("@")
    same = [one for one in given if one.universe == plain]
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
            "last_frame_age_s": None if one.age_ns is None else round(one.age_ns / NANOSECONDS, 3),
            "refresh_hz": one.refresh_hz,
            "judged": one.judged,
            "wins": one.wins,
            "interval_max_ms": one.interval_max_ms,
        }
        for one in same[:MOST_THERE]
    ]
