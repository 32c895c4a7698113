"""Backups in control or out of step, and sources that fight over one universe."""

from __future__ import annotations

from typing import Any

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.rivals import Rivals
from slotwatch.judge.sight import Sight
from slotwatch.judge.watch import KEYS, UNIVERSES, Finding, Mask, Watch
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
LAG_NS = 300_000_000
"""Lag that is allowed, and one comparison."""


def watches(house: House) -> tuple[Watch, ...]:
    contest = Contest(Rivals())
    return (
        Watch("source-conflict", UNIVERSES, contest.is_contested, contest.describe_conflict),
        Watch("backup-differs", KEYS, contest.differs, contest.describe_difference, timed=True),
        Watch("backup-in-control", UNIVERSES, is_backup_in_control, describe_backup_in_control, refresh_s=None),
    )


# --- backups ------------------------------------------------------------------------------------------


def is_backup_in_control(sight: Sight) -> Mask:
    """The winning stream is a backup's, and no main source has an equal say."""
    streams, universes = sight.streams, sight.universes
    won = universes.used & (universes.declared >= 0) & (universes.winner >= 0)
    if not any(source.role == "backup" for source in sight.house.sources) or not won.any():
        return np.zeros(universes.count, np.bool_)
    roles = np.array([source.role == "backup" for source in sight.house.sources] + [False], np.bool_)
    winner = np.where(won, universes.winner, 0)
    declared = sight.stream_sources_declared[winner]
    backup: Mask = won & roles[np.where(declared >= 0, declared, len(roles) - 1)]
    for row in np.flatnonzero(backup).tolist():
        for stream in sight.streams_of(row).tolist():
            source = sight.declared_source(sight.source_of(stream))
            equal = streams.priority[stream] >= streams.priority[universes.winner[row]]
            if streams.live[stream] and equal and source is not None and source.role == "main":
                backup[row] = False
    return backup


def describe_backup_in_control(sight: Sight, row: int) -> Finding:
    winner = int(sight.universes.winner[row])
    if winner < 0:
        winner = int(sight.streams_of(row)[0])
    streams = sight.streams
    source = sight.source_of(winner)
    others = [other for other in sight.streams_of(row).tolist() if other != winner and streams.live[other]]
    mains = [other for other in others if sight.sources[sight.source_of(other)].role == "main"]
    if mains:
        main = sight.say_source(sight.source_of(mains[0]))
        said = f"{main} still sends, at priority {int(streams.priority[mains[0]])}: it has no effect."
    else:
        said = "No main source sends this universe."
    return Finding(
        group=f"source:{sight.source_name(source)}",
        since_ns=int(streams.since_ns[winner]) if not mains else 0,
        universes=(row,),
        streams=(winner,),
        networks=(int(sight.universes.network[row]),),
        facts={"main": said},
        evidence=(
            f"{sight.universe_name(row)}: {sight.say_source(source)} wins at priority {int(streams.priority[winner])}.",
        ),
        cause="main-outranked" if mains else "main-silent",
    )


class Contest:
    """Conflicts and backups out of step, from one comparison of all rivals."""

    def __init__(self, rivals: Rivals) -> None:
        self._rivals = rivals
        self._unlike_ns: dict[tuple[int, int], int] = {}
        """Since when a backup's levels are not the main's to the digit."""

    def is_contested(self, sight: Sight) -> Mask:
        pairs = self._rivals.compare(sight)
        contested = np.zeros(sight.universes.count, np.bool_)
        if len(pairs.rival):
            contested[pairs.universe[pairs.contested > 0]] = True
            for row in np.flatnonzero(contested).tolist():
                declared = sight.declared_universe(row)
                contested[row] = not (declared and declared.shared)
        return contested

    def describe_conflict(self, sight: Sight, row: int) -> Finding:
        pairs = self._rivals.compare(sight)
        here = np.flatnonzero((pairs.universe == row) & (pairs.contested > 0))
        streams = sight.streams
        rows = sorted({*pairs.reference[here].tolist(), *pairs.rival[here].tolist()})
        if not rows:
            rows = [stream for stream in sight.streams_of(row).tolist() if streams.live[stream]]
        slots = int(pairs.contested[here].max()) if len(here) else 0
        artnet = sight.universes.protocol[row] == Protocol.ARTNET
        priority = "by two addresses" if artnet else f"at priority {int(streams.priority[rows[0]])}" if rows else ""
        evidence = [
            f"{sight.say_source(sight.source_of(stream))} on {sight.universe_name(row)}: priority "
            f"{int(streams.priority[stream])}, since {sight.time_of_day(int(streams.since_ns[stream]))}, "
            f"{_manner(sight, stream)}."
            for stream in rows
        ]
        if len(rows) > 2:
            evidence.append(f"{len(rows)} sources at one priority: many receivers merge two and ignore the rest.")
        names = sorted(sight.source_name(sight.source_of(stream)) for stream in rows)
        return Finding(
            group="sources:" + ",".join(names),
            since_ns=0,
            universes=(row,),
            streams=tuple(rows),
            networks=(int(sight.universes.network[row]),),
            facts={"priority": priority, "slots": str(slots)},
            evidence=tuple(evidence),
            cause="more-than-two" if len(rows) > 2 else "two-sources",
            weight=float(slots),
        )

    def differs(self, sight: Sight) -> dict[Any, int]:
        """Backups that send and are not in step with the main source, and since when they differ."""
        pairs = self._rivals.compare(sight)
        apart: dict[Any, int] = {}
        self._unlike_ns = {
            (row, int(sight.streams.generation[row])): self._unlike_ns.get(
                (row, int(sight.streams.generation[row])), sight.now_ns
            )
            for row in pairs.rival[pairs.unlike].tolist()
        }
        for at in np.flatnonzero(pairs.differing > 0).tolist():
            backup = sight.declared_source(sight.source_of(int(pairs.rival[at])))
            main = sight.declared_source(sight.source_of(int(pairs.reference[at])))
            far = pairs.worst[at] > CATALOG["backup-differs"].threshold("difference_percent") * 2.55
            if backup is not None and backup.role == "backup" and main is not None and main.role == "main" and far:
                key = int(pairs.rival[at]), int(sight.streams.generation[pairs.rival[at]])
                # It was allowed to lag: it has differed since it first did, if that was just now.
                apart[key] = max(self._unlike_ns.get(key, sight.now_ns), sight.now_ns - LAG_NS)
        return apart

    def describe_difference(self, sight: Sight, key: Any) -> Finding:
        row = key[0]
        pairs = self._rivals.compare(sight)
        at = np.flatnonzero(pairs.rival == row)
        slots, worst = (int(pairs.differing[at[0]]), int(pairs.worst[at[0]])) if len(at) else (0, 0)
        source = sight.source_of(row)
        name = sight.universe_name(sight.universe_of(row))
        return Finding(
            group=f"source:{sight.source_name(source)}",
            since_ns=0,
            universes=(sight.universe_of(row),),
            streams=(row,),
            networks=(int(sight.streams.network[row]),),
            facts={"slots": str(slots), "worst": f"{worst / 2.55:.0f}"},
            evidence=(f"{name}: {slots} slots out of step by up to {worst / 2.55:.0f} %, 200 ms of lag allowed.",),
            weight=float(slots),
        )


def _manner(sight: Sight, stream: int) -> str:
    idle_ns = sight.now_ns - int(sight.streams.last_change_ns[stream])
    return "its levels move" if idle_ns < 2 * NANOSECONDS else f"unchanged for {wording.seconds(idle_ns)}"
