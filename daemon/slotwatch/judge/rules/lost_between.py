"""Two listeners should hear a universe, and only one of them does: it is lost on the path between them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge.before import NOT_HEARD_NS
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.elsewhere import (
    STALE_NS,
    OtherListener,
    continues_there,
    declared_listener,
    say_page,
    stopped_there,
)
from slotwatch.judge.explain import UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.shared_path import WAY_BETWEEN
from slotwatch.judge.silences import LOSS_TIMEOUTS, awaited_ns, is_visible, seen_by_listener, stopped_by_routes
from slotwatch.model.universes import ended_by_leaving
from slotwatch.snapshot import Confidence, Severity

Key = tuple[str, int, bool]
"""Other listener, row of the universe, and whether it is this listener that hears nothing."""


@dataclass(frozen=True, slots=True)
class LostBetweenParameters(RuleParameters):
    """It goes by the universes' own loss timeouts."""

    unknown_s: float = number(30.0, "time that it stays open while the other listener is blind or does not answer")


@dataclass(frozen=True, slots=True)
class LostBetweenFacts(Facts):
    places: str
    heard: str
    lost: str


@dataclass(frozen=True, slots=True)
class _Gap:
    """One case as it was last known."""

    of_ns: int
    """When the answer was asked for that showed it."""
    since_ns: int
    newest: str


class LostBetween:
    """What only one of two listeners hears. A blind listener's silence does not count; what it hears does."""

    def __init__(self) -> None:
        self._known: dict[Key, _Gap] = {}
        self._both: dict[str, int] = {}
        """Universes that are heard here and at each other listener."""

    def find(self, ctx: RuleContext, p: LostBetweenParameters) -> dict[Key, None]:
        found: dict[Key, _Gap] = {}
        for declared in ctx.house.listeners:
            other = ctx.listener.elsewhere.get(declared.name)
            if other is None or not other.answered_ns:
                continue
            self._compare(ctx, other, found)
            self._keep_unknown(ctx, other, ns_from_s(p.unknown_s), found)
        self._known = found
        return dict.fromkeys(found)

    def holds(self, ctx: RuleContext) -> bool:
        """Whether a case may stay open because of what was known of it before."""
        return bool(self._known)

    def _compare(self, ctx: RuleContext, other: OtherListener, found: dict[Key, _Gap]) -> None:
        universes, there, is_new = ctx.universes, other.positions(ctx), other.is_well(ctx.now_ns)
        heard, live = universes.last_arrival_ns > 0, universes.live > 0
        stopped = stopped_there(ctx, other)
        self._both[other.name] = int((live & ~stopped & (there.last_ns > 0)).sum())
        lost_there = universes.used & heard & there.judged & stopped & ~there.ended & live
        lost_there &= universes.last_arrival_ns - there.last_ns > universes.loss_timeout_ns
        # What was heard before a restart of this listener has not come since.
        gone = ~heard & (ctx.heard_before_ns != NOT_HEARD_NS) & is_visible(ctx)
        silent_ns = ctx.now_ns - np.where(heard, universes.last_arrival_ns, awaited_ns(ctx))
        lost_here = universes.used & (heard | gone) & (silent_ns > universes.loss_timeout_ns)
        lost_here &= continues_there(ctx, other) & ~ctx.terminated & ~stopped_by_routes(ctx)
        lost_here &= ~ended_by_leaving(universes)
        lost_here = seen_by_listener(ctx, lost_here)
        for mask, here in ((lost_there, False), (lost_here, True)):
            for row in mask.nonzero()[0].tolist():
                key = (other.name, row, here)
                before = self._known.get(key)
                if before is not None and not is_new:
                    # An old answer shows nothing new. That its sender went on after the last frame here stays true.
                    if here:
                        found[key] = before
                elif is_new and (here or _has_lasted(ctx, other, row)):
                    found[key] = _Gap(other.answered_ns, *_since(ctx, other, row, here))

    def _keep_unknown(self, ctx: RuleContext, other: OtherListener, most_ns: int, found: dict[Key, _Gap]) -> None:
        """Keep what is lost there for as long as nobody can know whether it is back: that is no good end."""
        there, is_new = other.positions(ctx), other.is_well(ctx.now_ns)
        for key, known in self._known.items():
            name, row, here = key
            if name != other.name or here or key in found or not ctx.universes.live[row]:
                continue
            not_heard_anew = is_new and not there.last_ns[row]
            is_blind = not is_new or not there.judged[row]
            if not_heard_anew or (is_blind and ctx.now_ns - known.of_ns <= most_ns):
                found[key] = known

    def describe(self, ctx: RuleContext, key: Key) -> Finding:
        name, row, here = key
        declared = declared_listener(ctx, name)
        known = self._known[key]
        lost, heard = (declared.own_name, name) if here else (name, declared.own_name)
        own, count = ctx.declared_universe(row), self._both.get(name, 0)
        both_ways = any(one == name and is_here is not here for one, _, is_here in self._known)
        return Finding(
            group=f"between:{name}:{lost}",
            since_ns=known.since_ns,
            universes=(row,),
            streams=tuple(stream for stream in ctx.streams_of(row).tolist() if ctx.streams.last_arrival_ns[stream] > 0),
            networks=(int(ctx.universes.network[row]),),
            facts=LostBetweenFacts(places_of(declared.own_name, name), heard, lost),
            evidence=(
                f"{heard}: still heard, so its sender sends. {lost}: {known.newest}.",
                *((f"In the other direction, from {lost} to {heard}, universes are lost too.",) if both_ways else ()),
                *(ctx.listener.ports.sentences(int(ctx.universes.network[row])) if here else ()),
                say_page(declared),
            ),
            lower=int(own is None or not own.expected),
            cause=WAY_BETWEEN,
            confidence=Confidence.HIGH,
            also_possible=() if both_ways else (f"the switch port or the group membership of {lost} alone",),
            still_working=(f"{count} {'universe is' if count == 1 else 'universes are'} heard at both",)
            if count
            else (),
            weight=float(ctx.now_ns - known.since_ns),
        )


def _has_lasted(ctx: RuleContext, other: OtherListener, row: int) -> bool:
    """Whether it was heard here for its loss timeout when the other one was asked: what comes back comes back there
    too, and its last answer may be from before."""
    began_ns = min((int(ctx.streams.since_ns[one]) for one in ctx.streams_of(row).tolist() if ctx.live[one]), default=0)
    return bool(began_ns and other.answered_ns - began_ns > ctx.universes.loss_timeout_ns[row])


def _since(ctx: RuleContext, other: OtherListener, row: int, here: bool) -> tuple[int, str]:
    """Give since when it is lost, and what the newest frame was where it is."""
    since_ns = int(ctx.universes.last_arrival_ns[row]) if here else int(other.positions(ctx).last_ns[row])
    if here and not since_ns:
        return ctx.started_ns, "no frame since its restart"
    return since_ns, f"newest frame at {ctx.time_of_day(since_ns)}"


def places_of(one: str, other: str) -> str:
    """Name two places in the same order at both of them."""
    first, second = sorted((one, other))
    return f"{first} and {second}"


def bind(setup: RuleSetup, p: LostBetweenParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("listeners"):
        return ()
    between = setup.lasting(LostBetween)
    return (RuleBinding(KEYS, partial(between.find, p=p), between.describe, TICK_NS, remembers=between.holds),)


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
