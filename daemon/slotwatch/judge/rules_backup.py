"""Backups in control or out of step, and sources that fight over one universe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, UNIVERSES, Finding, Mask, NamedBinding, named
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rivals import Pairs, Rivals
from slotwatch.wire.universe import Protocol

NANOSECONDS = 1_000_000_000
LAG_NS = 300_000_000
"""Lag that is allowed, and one comparison."""
DIP_NS = 500_000_000
"""Levels that run late cross those they follow at every turn, and are in step for that moment."""


def bindings(house: House) -> tuple[NamedBinding, ...]:
    contest = Contest(Rivals(house))
    return (
        named(
            "source-conflict",
            UNIVERSES,
            contest.is_contested,
            contest.describe_conflict,
            is_wary=contest.is_comparing,
        ),
        named("backup-differs", KEYS, contest.differs, contest.describe_difference, timed=True),
        named("backup-in-control", UNIVERSES, is_backup_in_control, describe_backup_in_control, refresh_s=None),
    )


@dataclass(slots=True)
class Episode:
    """A time in which a backup is out of step with its main, but for moments."""

    since_ns: int
    last_ns: int
    """When it was last out of step."""
    apart: int = 0
    looks: int = 0

    def is_told(self, now_ns: int) -> bool:
        """Whether it was out of step for the rule's time, mostly, and not only in moments that it passed through."""
        least_ns = int(CATALOG["backup-differs"].threshold("differ_s") * NANOSECONDS)
        return self.last_ns - self.since_ns >= least_ns and 2 * self.apart >= self.looks


# --- backups ------------------------------------------------------------------------------------------


def is_backup_in_control(ctx: RuleContext) -> Mask:
    """The winning stream is a backup's, and no main source has an equal say."""
    streams, universes = ctx.streams, ctx.universes
    won = universes.used & (universes.declared >= 0) & (universes.winner >= 0)
    if not any(source.role == "backup" for source in ctx.house.sources) or not won.any():
        return np.zeros(universes.count, np.bool_)
    roles = np.array([source.role == "backup" for source in ctx.house.sources] + [False], np.bool_)
    winner = np.where(won, universes.winner, 0)
    declared = ctx.stream_sources_declared[winner]
    backup: Mask = won & roles[np.where(declared >= 0, declared, len(roles) - 1)]
    for row in np.flatnonzero(backup).tolist():
        for stream in ctx.streams_of(row).tolist():
            source = ctx.declared_source(ctx.source_of(stream))
            equal = streams.priority[stream] >= streams.priority[universes.winner[row]]
            if streams.live[stream] and equal and source is not None and source.role == "main":
                backup[row] = False
    return backup


def describe_backup_in_control(ctx: RuleContext, row: int) -> Finding:
    winner = int(ctx.universes.winner[row])
    if winner < 0:
        winner = int(ctx.streams_of(row)[0])
    streams = ctx.streams
    source = ctx.source_of(winner)
    others = [other for other in ctx.streams_of(row).tolist() if other != winner and streams.live[other]]
    mains = [other for other in others if ctx.sources[ctx.source_of(other)].role == "main"]
    if mains:
        main = ctx.say_source(ctx.source_of(mains[0]))
        said = f"{main} still sends, at priority {int(streams.priority[mains[0]])}: it has no effect."
    else:
        said = "No main source sends this universe."
    return Finding(
        group=f"source:{ctx.source_name(source)}",
        since_ns=0 if mains else _alone_since_ns(ctx, row, winner),
        universes=(row,),
        streams=(winner,),
        networks=(int(ctx.universes.network[row]),),
        facts={"main": said},
        evidence=(
            f"{ctx.universe_name(row)}: {ctx.say_source(source)} wins at priority {int(streams.priority[winner])}.",
        ),
        cause="main-outranked" if mains else "main-silent",
    )


def _alone_since_ns(ctx: RuleContext, row: int, winner: int) -> int:
    """Last frame of a main source here, or the backup's first where none came before it."""
    streams = ctx.streams
    others = [other for other in ctx.streams_of(row).tolist() if other != winner and not streams.live[other]]
    gone = [other for other in others if ctx.sources[ctx.source_of(other)].role == "main"]
    return max([int(streams.since_ns[winner]), *(int(streams.last_arrival_ns[other]) for other in gone)])


class Contest:
    """Conflicts and backups out of step, from one comparison of all rivals."""

    def __init__(self, rivals: Rivals) -> None:
        self._rivals = rivals
        self._unlike_ns: dict[tuple[int, int], int] = {}
        """Since when a backup's levels are not the main's to the digit."""
        self._episodes: dict[tuple[int, int], Episode] = {}
        """Of the same keys: the time out of step that goes on."""

    def is_contested(self, ctx: RuleContext) -> Mask:
        pairs = self._rivals.compare(ctx)
        contested = np.zeros(ctx.universes.count, np.bool_)
        if len(pairs.rival):
            contested[pairs.universe[pairs.contested > 0]] = True
            for row in np.flatnonzero(contested).tolist():
                declared = ctx.declared_universe(row)
                contested[row] = not (declared and declared.shared)
        return contested

    def describe_conflict(self, ctx: RuleContext, row: int) -> Finding:
        pairs = self._rivals.compare(ctx)
        here = np.flatnonzero((pairs.universe == row) & (pairs.contested > 0))
        streams = ctx.streams
        rows = sorted({*pairs.reference[here].tolist(), *pairs.rival[here].tolist()})
        if not rows:
            rows = [stream for stream in ctx.streams_of(row).tolist() if streams.live[stream]]
        slots = int(pairs.contested[here].max()) if len(here) else 0
        artnet = ctx.universes.protocol[row] == Protocol.ARTNET
        priority = "by two addresses" if artnet else f"at priority {int(streams.priority[rows[0]])}" if rows else ""
        evidence = [
            f"{ctx.say_source(ctx.source_of(stream))} on {ctx.universe_name(row)}: priority "
            f"{int(streams.priority[stream])}, since {ctx.time_of_day(int(streams.since_ns[stream]))}, "
            f"{_manner(ctx, stream)}."
            for stream in rows
        ]
        if len(rows) > 2:
            evidence.append(f"{len(rows)} sources at one priority: many receivers merge two and ignore the rest.")
        names = sorted(ctx.source_name(ctx.source_of(stream)) for stream in rows)
        return Finding(
            group="sources:" + ",".join(names),
            since_ns=0,
            universes=(row,),
            streams=tuple(rows),
            networks=(int(ctx.universes.network[row]),),
            facts={"priority": priority, "slots": str(slots)},
            evidence=tuple(evidence),
            cause="more-than-two" if len(rows) > 2 else "two-sources",
            weight=float(slots),
        )

    def differs(self, ctx: RuleContext) -> dict[Any, int]:
        """Backups that send and are not in step with the main source, and since when they differ."""
        pairs = self._rivals.compare(ctx)
        unlike, episodes = self._unlike_ns, self._episodes
        self._unlike_ns, self._episodes = {}, {}
        apart: dict[Any, int] = {}
        for at in np.flatnonzero(pairs.unlike).tolist():
            key = int(pairs.rival[at]), int(ctx.streams.generation[pairs.rival[at]])
            self._unlike_ns[key] = unlike.get(key, ctx.now_ns)
            if not self._is_pair_of_house(ctx, pairs, at):
                continue
            # It was allowed to lag: it has differed since it first did, if that was just now.
            begun_ns = max(self._unlike_ns[key], ctx.now_ns - LAG_NS)
            episode = episodes.get(key) or Episode(begun_ns, ctx.now_ns)
            self._look(ctx, pairs, at, key, episode, begun_ns)
            if key in self._episodes and episode.is_told(ctx.now_ns):
                apart[key] = episode.since_ns
        return apart

    def is_comparing(self, ctx: RuleContext) -> bool:
        """Whether streams share a universe: what each showed a moment ago is remembered pass by pass."""
        return len(self._rivals.pairs.rival) > 0

    def _look(
        self, ctx: RuleContext, pairs: Pairs, at: int, key: tuple[int, int], episode: Episode, begun_ns: int
    ) -> None:
        """Count one comparison; forget the episode where they have been in step for long enough."""
        far = pairs.worst[at] > CATALOG["backup-differs"].threshold("difference_percent") * 2.55
        if pairs.differing[at] > 0 and far:
            if ctx.now_ns - episode.last_ns > DIP_NS or 2 * episode.apart < episode.looks:
                episode = self._episodes[key] = Episode(begun_ns, ctx.now_ns)
            episode.last_ns = ctx.now_ns
            episode.apart += 1
            episode.looks += 1
            self._episodes[key] = episode
        elif episode.apart and ctx.now_ns - episode.last_ns <= DIP_NS:
            episode.looks += 1
            self._episodes[key] = episode

    @staticmethod
    def _is_pair_of_house(ctx: RuleContext, pairs: Pairs, at: int) -> bool:
        backup = ctx.declared_source(ctx.source_of(int(pairs.rival[at])))
        main = ctx.declared_source(ctx.source_of(int(pairs.reference[at])))
        return backup is not None and backup.role == "backup" and main is not None and main.role == "main"

    def describe_difference(self, ctx: RuleContext, key: Any) -> Finding:
        row = key[0]
        pairs = self._rivals.compare(ctx)
        at = np.flatnonzero(pairs.rival == row)
        slots, worst = (int(pairs.differing[at[0]]), int(pairs.worst[at[0]])) if len(at) else (0, 0)
        source = ctx.source_of(row)
        name = ctx.universe_name(ctx.universe_of(row))
        return Finding(
            group=f"source:{ctx.source_name(source)}",
            since_ns=0,
            universes=(ctx.universe_of(row),),
            streams=(row,),
            networks=(int(ctx.streams.network[row]),),
            facts={"slots": str(slots), "worst": f"{worst / 2.55:.0f}"},
            evidence=(f"{name}: {slots} slots out of step by up to {worst / 2.55:.0f} %, 200 ms of lag allowed.",),
            weight=float(slots),
        )


def _manner(ctx: RuleContext, stream: int) -> str:
    idle_ns = ctx.now_ns - int(ctx.streams.last_change_ns[stream])
    return "its levels move" if idle_ns < 2 * NANOSECONDS else f"unchanged for {wording.seconds(idle_ns)}"
