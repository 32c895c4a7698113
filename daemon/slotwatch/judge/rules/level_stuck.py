"""A few levels stay up although the universe's main sender is at zero."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import is_any_shared
from slotwatch.snapshot import Confidence, Severity

REFRESH_S = 10.0


@dataclass(frozen=True, slots=True)
class LevelStuckParameters(RuleParameters):
    on_delay_s: float = number(10.0, "time that levels stay up before the incident opens")
    dark_s: float = number(
        1.0, "time at zero without a change before a sender counts as at zero: as long as from one look to the next"
    )
    most_slots: int = number(
        48, "number of slots above which it counts as a look of its own, not as levels left behind"
    )


@dataclass(frozen=True, slots=True)
class LevelStuckFacts(Facts):
    slots: str


def is_stuck(ctx: RuleContext, p: LevelStuckParameters) -> Mask:
    """A few slots stay up on a universe whose main sender has gone to zero in all of its slots."""
    universes, streams = ctx.universes, ctx.streams
    stuck = np.zeros(universes.count, np.bool_)
    crowded = universes.used & (universes.declared >= 0) & (universes.live >= 2)
    if not np.count_nonzero(crowded):
        return stuck
    rows = np.flatnonzero(ctx.live & crowded[streams.universe] & (streams.changes > 0))
    # An effect that goes to zero again and again may do so at each look.
    rows = rows[ctx.now_ns - streams.last_change_ns[rows] >= ns_from_s(p.dark_s)]
    dark = rows[~streams.levels[rows].any(1)]
    if len(dark):
        of = np.unique(streams.universe[dark])
        lit = np.count_nonzero(ctx.model.levels[of], axis=1)
        stuck[of] = (lit > 0) & (lit <= p.most_slots)
    return stuck


def turned_ns(ctx: RuleContext, row: int) -> int:
    """When the newest of a universe's senders went to zero."""
    streams = ctx.streams
    rows = [one for one in ctx.streams_of(row).tolist() if ctx.live[one] and not streams.levels[one].any()]
    return int(streams.last_change_ns[rows].max(initial=0))


def describe_stuck(ctx: RuleContext, row: int) -> Finding:
    streams = ctx.streams
    slots = (np.flatnonzero(ctx.model.levels[row]) + 1).tolist()
    each = ctx.model.slot_owners.of(row)[[slot - 1 for slot in slots]]
    owners = sorted({int(owner) for owner in each if owner >= 0})
    rows = [one for one in ctx.streams_of(row).tolist() if ctx.live[one]]
    dark = [one for one in rows if not streams.levels[one].any()]
    holders = wording.list_names(ctx.say_source(ctx.source_of(owner)) for owner in owners)
    return Finding(
        group=f"universe:{ctx.universe_id(row)}",
        since_ns=turned_ns(ctx, row),
        universes=(row,),
        streams=tuple(dark),
        networks=(int(ctx.universes.network[row]),),
        facts=LevelStuckFacts(wording.list_slots(slots)),
        evidence=(f"{ctx.universe_name(row)}: {wording.list_slots(slots)} held by {holders}.",),
        confidence=Confidence.HIGH,
        also_possible=("a channel that was parked on purpose",),
    )


def bind(setup: RuleSetup, p: LevelStuckParameters) -> tuple[RuleBinding, ...]:
    stuck = partial(is_stuck, p=p)
    return (
        RuleBinding(
            UNIVERSES,
            stuck,
            describe_stuck,
            EVERY_SECOND_NS,
            is_any_shared,
            refresh_s=REFRESH_S,
            turned_ns=turned_ns,
        ),
    )


RULE = Rule(
    name="level-stuck",
    rule_class=RuleClass.PATCH,
    severity=Severity.NOTE,
    short=ShortWords("level stuck", "{n} levels stuck", look="Look at the cue that holds it"),
    sentence="{universes}: levels stay up in {slots} with {sources} at zero.",
    judged_by=judged_by(LevelStuckParameters(), bind),
    facts=LevelStuckFacts,
    effects=frozenset({Effect.SILENCE, Effect.RIVALRY}),
    faults=("F86",),
    may_exceed_note=False,
    next_checks=("Look at the universe's page: who wins these slots.",),
)
