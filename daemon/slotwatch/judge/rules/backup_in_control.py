"""A backup is in control of a universe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.judge.binding import UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import STREAM, Effect, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import declares_sources
from slotwatch.judge.takeovers import Takeover
from slotwatch.model.control import in_control
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class BackupInControlParameters(RuleParameters):
    on_delay_s: float = number(5.0, "time a hand-over may take")


@dataclass(frozen=True, slots=True)
class BackupInControlFacts(Facts):
    main: str


def is_backup_in_control(ctx: RuleContext) -> Mask:
    """The winning stream is a backup's, and no main source has an equal say."""
    streams, universes = ctx.streams, ctx.universes
    won = universes.used & (universes.declared >= 0) & (universes.winner >= 0)
    if not any(source.role == "backup" for source in ctx.house.sources) or not won.any():
        return np.zeros(universes.count, np.bool_)
    roles = np.array([source.role == "backup" for source in ctx.house.sources] + [False], np.bool_)
    winner = np.zeros(universes.count, np.intp)
    winner[won] = in_control(ctx.model.streams, np.flatnonzero(won))
    declared = ctx.stream_sources_declared[winner]
    backup: Mask = won & roles[np.where(declared >= 0, declared, len(roles) - 1)]
    for row in np.flatnonzero(backup).tolist():
        takeover = Takeover.of(ctx, int(winner[row]))
        if takeover is not None and takeover.slots:
            continue
        for stream in ctx.streams_of(row).tolist():
            source = ctx.declared_source(ctx.source_of(stream))
            equal = streams.priority[stream] >= streams.priority[winner[row]]
            if streams.live[stream] and equal and source is not None and source.role == "main":
                backup[row] = False
    return backup


def describe_backup_in_control(ctx: RuleContext, row: int) -> Finding:
    winner = int(in_control(ctx.model.streams, np.array([row]))[0])
    if winner < 0:
        winner = int(ctx.streams_of(row)[0])
    streams = ctx.streams
    source = ctx.source_of(winner)
    others = [other for other in ctx.streams_of(row).tolist() if other != winner and streams.live[other]]
    mains = [other for other in others if ctx.sources[ctx.source_of(other)].role == "main"]
    takeover = Takeover.of(ctx, winner)
    wins = f"wins at priority {int(streams.priority[winner])}"
    if takeover is not None and takeover.slots:
        main_state = takeover.sentence(ctx)
        wins = f"wins {takeover.slots} slots by per-address priority"
    elif mains:
        main = ctx.say_source(ctx.source_of(mains[0]))
        main_state = f"{main} still sends, at priority {int(streams.priority[mains[0]])}: it has no effect."
    else:
        main_state = "No main source sends there."
    return Finding(
        group=f"source:{ctx.source_name(source)}",
        since_ns=0 if mains else _alone_since_ns(ctx, row, winner),
        universes=(row,),
        streams=(winner,),
        networks=(int(ctx.universes.network[row]),),
        facts=BackupInControlFacts(main_state),
        evidence=(f"{ctx.universe_name(row)}: {ctx.say_source(source)} {wins}.",),
        cause="main-outranked" if mains else "main-silent",
    )


def _alone_since_ns(ctx: RuleContext, row: int, winner: int) -> int:
    """Last frame of a main source here, or the backup's first where none came before it."""
    streams = ctx.streams
    others = [other for other in ctx.streams_of(row).tolist() if other != winner and not streams.live[other]]
    gone = [other for other in others if ctx.sources[ctx.source_of(other)].role == "main"]
    return max([int(streams.since_ns[winner]), *(int(streams.last_arrival_ns[other]) for other in gone)])


def bind(setup: RuleSetup, p: BackupInControlParameters) -> tuple[RuleBinding, ...]:
    return (RuleBinding(UNIVERSES, is_backup_in_control, describe_backup_in_control, subject=declares_sources),)


RULE = Rule(
    name="backup-in-control",
    rule_class=RuleClass.CONTROL,
    severity=Severity.WARNING,
    short=ShortWords("backup in control", "backup in control of {n}", audience=4, on_its_screen=True),
    sentence="Backup {sources} has been in control of {universes} since {since}. {main}",
    judged_by=judged_by(BackupInControlParameters(), bind),
    facts=BackupInControlFacts,
    effects=frozenset({Effect.SILENCE}),
    explains=Explains(
        170,
        Reach(STREAM, rules=frozenset({"backup-differs", "unexpected-source"})),
    ),
    faults=("F39", "F40"),
    next_checks=(
        "Ask both operators who is meant to be in control.",
        "Look at the main source's screen: running, sending, at its own priority?",
    ),
)
