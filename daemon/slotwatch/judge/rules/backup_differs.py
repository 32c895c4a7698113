"""A backup is not in step with the main source."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.lags import ALLOWED_LAG_MS
from slotwatch.judge.lights import FULL, percent_of
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rivals import LAG, Pairs, Rivals
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import is_any_shared
from slotwatch.snapshot import Severity

Backup = tuple[int, int]
"""Row and generation of a backup's stream."""


@dataclass(frozen=True, slots=True)
class BackupDiffersParameters(RuleParameters):
    on_delay_s: float = number(10.0, "time since it first differed before the incident opens")
    differ_s: float = number(10.0, "time from its first to its last difference")
    difference_percent: float = number(5.0, "difference that counts")
    lag_s: float = number(0.3, "allowed lag plus one comparison: the furthest back that a new difference may begin")
    dip_s: float = number(
        0.5, "longest time in step that does not end a difference: a late backup passes through the main's levels"
    )
    apart_ratio: float = number(0.5, "least share of comparisons in which it differs")


@dataclass(frozen=True, slots=True)
class BackupDiffersFacts(Facts):
    slots: str
    worst: int


@dataclass(slots=True)
class Episode:
    """A time in which a backup is out of step with its main, but for moments."""

    since_ns: int
    last_ns: int
    """When it was last out of step."""
    apart: int = 0
    looks: int = 0

    def has_lasted(self, p: BackupDiffersParameters) -> bool:
        """Whether it was out of step for the rule's time, mostly, and not only in moments that it passed through."""
        return self.last_ns - self.since_ns >= ns_from_s(p.differ_s) and not self.is_mostly_in_step(p)

    def is_mostly_in_step(self, p: BackupDiffersParameters) -> bool:
        """Whether it was out of step in too few of its comparisons."""
        return self.apart < p.apart_ratio * self.looks


class BackupsInStep:
    """Backups that send, and since when each is out of step."""

    def __init__(self, rivals: Rivals, p: BackupDiffersParameters) -> None:
        self._rivals = rivals
        self._p = p
        self._unlike_ns: dict[Backup, int] = {}
        """Since when a backup's levels are not the main's to the digit."""
        self._episodes: dict[Backup, Episode] = {}
        """Of the same keys: how long each has been out of step so far."""

    def differs(self, ctx: RuleContext) -> dict[Backup, int]:
        """Backups that send and are not in step with the main source, and since when they differ."""
        pairs = self._rivals.compare(ctx)
        unlike, episodes = self._unlike_ns, self._episodes
        self._unlike_ns, self._episodes = {}, {}
        apart: dict[Backup, int] = {}
        for at in pairs.unlike.nonzero()[0].tolist():
            key = int(pairs.rival[at]), int(ctx.streams.generation[pairs.rival[at]])
            self._unlike_ns[key] = unlike.get(key, ctx.now_ns)
            if not self._is_pair_of_house(ctx, pairs, at):
                continue
            # It was allowed to lag: it has differed since it first did, if that was just now.
            begun_ns = max(self._unlike_ns[key], ctx.now_ns - ns_from_s(self._p.lag_s))
            episode = episodes.get(key) or Episode(begun_ns, ctx.now_ns)
            self._look(ctx, pairs, at, key, episode, begun_ns)
            if key in self._episodes and episode.has_lasted(self._p):
                apart[key] = episode.since_ns
        return apart

    def is_comparing(self, ctx: RuleContext) -> bool:
        """Whether anything of the last comparison is kept."""
        return self._rivals.is_comparing or bool(self._unlike_ns or self._episodes)

    def _look(self, ctx: RuleContext, pairs: Pairs, at: int, key: Backup, episode: Episode, begun_ns: int) -> None:
        """Count one comparison; forget the episode where they have been in step for long enough."""
        far = pairs.worst[at] > self._p.difference_percent * FULL / 100
        if pairs.differing[at] > 0 and far:
            if ctx.now_ns - episode.last_ns > ns_from_s(self._p.dip_s) or episode.is_mostly_in_step(self._p):
                episode = self._episodes[key] = Episode(begun_ns, ctx.now_ns)
            episode.last_ns = ctx.now_ns
            episode.apart += 1
            episode.looks += 1
            self._episodes[key] = episode
        elif episode.apart and ctx.now_ns - episode.last_ns <= ns_from_s(self._p.dip_s):
            episode.looks += 1
            self._episodes[key] = episode

    @staticmethod
    def _is_pair_of_house(ctx: RuleContext, pairs: Pairs, at: int) -> bool:
        backup = ctx.declared_source(ctx.source_of(int(pairs.rival[at])))
        main = ctx.declared_source(ctx.source_of(int(pairs.reference[at])))
        return backup is not None and backup.role == "backup" and main is not None and main.role == "main"

    def describe_difference(self, ctx: RuleContext, key: Backup) -> Finding:
        row = key[0]
        pairs = self._rivals.compare(ctx)
        at = np.flatnonzero(pairs.rival == row)
        slots, worst = (int(pairs.differing[at[0]]), int(pairs.worst[at[0]])) if len(at) else (0, 0)
        source = ctx.source_of(row)
        name, several = ctx.universe_name(ctx.universe_of(row)), wording.count(slots, "slot")
        return Finding(
            group=f"source:{ctx.source_name(source)}",
            since_ns=0,
            universes=(ctx.universe_of(row),),
            streams=(row,),
            networks=(int(ctx.streams.network[row]),),
            facts=BackupDiffersFacts(f"{several} {'differs' if slots == 1 else 'differ'}", percent_of(worst)),
            evidence=(
                f"{name}: {several} out of step by up to {percent_of(worst)} %, {ALLOWED_LAG_MS:g} ms of lag allowed.",
            ),
            weight=float(slots),
        )


def bind(setup: RuleSetup, p: BackupDiffersParameters) -> tuple[RuleBinding, ...]:
    backups = BackupsInStep(setup.lasting(Rivals), p)
    return (
        RuleBinding(
            KEYS,
            backups.differs,
            backups.describe_difference,
            subject=is_any_shared,
            timed=True,
            remembers=backups.is_comparing,
        ),
    )


RULE = Rule(
    name="backup-differs",
    rule_class=RuleClass.CONTROL,
    severity=Severity.WARNING,
    short=ShortWords("backup differs", "{n} backups differ", on_its_screen=True),
    sentence="Backup {sources} is not in step with the main source on {universes}: {slots} by up to {worst} %.",
    judged_by=judged_by(BackupDiffersParameters(), bind),
    facts=BackupDiffersFacts,
    effects=frozenset({Effect.STREAM_TROUBLE, Effect.RIVALRY}),
    measured=LAG,
    faults=("F40",),
    next_checks=("Check on the backup's screen whether it follows, and whether it runs the same show file and cue.",),
    next_checks_quiet=(f"{CLEAR_FIRST} Let the backup load the show again and follow; then this closes.",),
)
