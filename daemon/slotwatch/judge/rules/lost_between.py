"""Two listeners should hear a universe, and only one of them does: it is lost on the path between them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.judge.before import NOT_HEARD_NS
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.elsewhere import STALE_NS, continues_there, declared_listener, say_page, stopped_there
from slotwatch.judge.explain import UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.shared_path import WAY_BETWEEN
from slotwatch.judge.silences import LOSS_TIMEOUTS, awaited_ns, is_visible, seen_by_listener, stopped_by_routes
from slotwatch.snapshot import Confidence, Severity

Key = tuple[str, int, bool]
"""Other listener, row of the universe, and whether it is this listener that hears nothing."""


@dataclass(frozen=True, slots=True)
class LostBetweenParameters(RuleParameters):
    """It goes by the universes' own loss timeouts."""


@dataclass(frozen=True, slots=True)
class LostBetweenFacts(Facts):
    places: str
    heard: str
    lost: str


def lost_between(ctx: RuleContext) -> dict[Key, None]:
    universes = ctx.universes
    found: dict[Key, None] = {}
    for declared, other in ctx.listener.elsewhere.well(ctx):
        there = other.positions(ctx)
        heard = universes.last_arrival_ns > 0
        known = universes.used & there.judged & heard
        lost_there = known & stopped_there(ctx, other) & ~there.ended & (universes.live > 0)
        lost_there &= universes.last_arrival_ns - there.last_ns > universes.loss_timeout_ns
        # What was heard before a restart of this listener has not come since.
        gone = ~heard & (ctx.heard_before_ns != NOT_HEARD_NS) & is_visible(ctx)
        silent_ns = ctx.now_ns - np.where(heard, universes.last_arrival_ns, awaited_ns(ctx))
        lost_here = universes.used & there.judged & (heard | gone) & (silent_ns > universes.loss_timeout_ns)
        lost_here &= continues_there(ctx, other) & ~ctx.terminated & ~stopped_by_routes(ctx)
        lost_here = seen_by_listener(ctx, lost_here)
        for mask, here in ((lost_there, False), (lost_here, True)):
            found |= dict.fromkeys((declared.name, row, here) for row in mask.nonzero()[0].tolist())
    return found


def describe_lost_between(ctx: RuleContext, key: Key, p: LostBetweenParameters) -> Finding:
    name, row, here = key
    declared = declared_listener(ctx, name)
    other = ctx.listener.elsewhere.get(name)
    last_there_ns = int(other.positions(ctx).last_ns[row]) if other else 0
    last_here_ns = int(ctx.universes.last_arrival_ns[row])
    newest = f"newest frame at {ctx.time_of_day(last_here_ns if here else last_there_ns)}"
    if here and not last_here_ns:
        last_here_ns, newest = ctx.started_ns, "no frame since its restart"
    lost, heard = (declared.own_name, name) if here else (name, declared.own_name)
    since_ns = last_here_ns if here else last_there_ns
    own = ctx.declared_universe(row)
    live = ctx.universes.live > 0
    both = live & ~stopped_there(ctx, other) & (other.positions(ctx).last_ns > 0) if other else live & False
    count = int(both.sum())
    return Finding(
        group=f"between:{name}:{lost}",
        since_ns=since_ns,
        universes=(row,),
        streams=tuple(stream for stream in ctx.streams_of(row).tolist() if ctx.streams.last_arrival_ns[stream] > 0),
        networks=(int(ctx.universes.network[row]),),
        facts=LostBetweenFacts(places_of(declared.own_name, name), heard, lost),
        evidence=(
            f"{heard}: still heard, so its sender sends. {lost}: {newest}.",
            *(ctx.listener.ports.sentences(int(ctx.universes.network[row])) if here else ()),
            say_page(declared),
        ),
        lower=int(own is None or not own.expected),
        cause=WAY_BETWEEN,
        confidence=Confidence.HIGH,
        also_possible=(f"the switch port or the group membership of {lost} alone",),
        still_working=(f"{count} {'universe is' if count == 1 else 'universes are'} heard at both",) if count else (),
        weight=float(ctx.now_ns - since_ns),
    )


def places_of(one: str, other: str) -> str:
    """Name two places in the same order at both of them."""
    first, second = sorted((one, other))
    return f"{first} and {second}"


def bind(setup: RuleSetup, p: LostBetweenParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("listeners"):
        return ()
    describe = partial(describe_lost_between, p=p)
    return (RuleBinding(KEYS, lambda ctx: lost_between(ctx), describe, TICK_NS, refresh_s=None),)


RULE = Rule(
    name="lost-between",
    rule_class=RuleClass.LOSS,
    severity=Severity.CRITICAL,
    short=ShortWords(
        "{place} lost on the way", "{n} universes lost on the way", look="Look at the switches between", audience=6
    ),
    sentence="{universes} lost between {places} since {since}: heard at {heard}, not at {lost}.",
    judged_by=judged_by(LostBetweenParameters(), bind),
    facts=LostBetweenFacts,
    effects=frozenset({Effect.ABSENCE, Effect.SILENCE}),
    explains=Explains(
        45, Reach(UNIVERSE, effects=frozenset({Effect.SILENCE, Effect.STREAM_TROUBLE})), begins_at_a_moment=True
    ),
    measured=(
        *LOSS_TIMEOUTS,
        Threshold("answer_s", STALE_NS / 1e9, "age above which the other listener's answer does not count"),
    ),
    source="ANSI E1.31-2018 6.7.1 (loss); the comparison: common practice, no source",
    faults=("F21",),
    next_checks=(
        "Look at the switches and uplinks between the two listeners: link lamps, and the log of the last minute.",
        "Look at the stage: do receivers on the side that hears nothing hold their last look?",
    ),
    next_checks_quiet=("Read the multicast group tables of the switches between the two listeners.",),
)
