"""More sources than the model keeps or a show brings: the rest is counted, or not judged separately."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.crowds import Crowd
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.rules.universe_lost import UniverseLostParameters
from slotwatch.model.columns import MAX_ADDRESSES, MAX_SOURCES, MAX_SOURCES_PER_UNIVERSE, MAX_STREAMS
from slotwatch.model.newcomers import NEW_PER_SECOND
from slotwatch.snapshot import Severity

MOST_NAMED = 64
"""Universes that one finding names."""
BOUNDS = {
    "addresses": f"of identities at {MAX_ADDRESSES} addresses",
    "rate": f"of new streams beyond {NEW_PER_SECOND:,} a second",
    "sources": f"of sources beyond {MAX_SOURCES:,}",
    "streams": f"of streams beyond {MAX_STREAMS:,}",
    "universe": f"on universes with {MAX_SOURCES_PER_UNIVERSE} sources",
}
"""Which packets are not kept, by the bound that was reached: `Streams.unkept`."""


@dataclass(frozen=True, slots=True)
class TooManySourcesParameters(RuleParameters):
    off_delay_s: float = number(60.0, "time without a packet that was not kept, before the incident closes")
    recent_s: float = number(10.0, "time for which a packet that was not kept counts")
    new_sources: int = number(
        256, "new undeclared sources at once above which they are not judged separately: no show brings that many"
    )
    new_s: float = number(10.0, "time within which they come")


@dataclass(frozen=True, slots=True)
class TooManySourcesFacts(Facts):
    what: str
    bound: str
    counted: str


def crowd_of(setup: RuleSetup) -> Crowd:
    """Make what keeps count of newcomers, by this rule's numbers, and by when a lost universe is forgotten."""
    p = setup.parameters(TooManySourcesParameters)
    return Crowd(p.new_sources, p.new_s, p.off_delay_s, setup.parameters(UniverseLostParameters).forgotten_s)


class UnkeptBefore:
    """What was not kept before the present flood: counts are of the whole life of this listener."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self._newest: Counter[str] = Counter()
        self._newest_ns = 0

    def look(self, ctx: RuleContext, apart_ns: int) -> None:
        """Take what was counted up to now. A pause of `apart_ns` divides floods."""
        last_ns = ctx.model.streams.last_unkept_ns
        if last_ns == self._newest_ns:
            return
        if last_ns - self._newest_ns > apart_ns:
            self.counts = self._newest
        self._newest, self._newest_ns = Counter(ctx.model.streams.unkept), last_ns


def may_be(ctx: RuleContext) -> bool:
    """Whether a bound was ever reached, or a crowd is there."""
    return ctx.model.streams.last_unkept_ns > 0 or ctx.crowd.is_on


def overflow(ctx: RuleContext, p: TooManySourcesParameters, before: UnkeptBefore) -> dict[str, None]:
    before.look(ctx, ns_from_s(p.recent_s + p.off_delay_s))
    return {"all": None} if _is_over_a_bound(ctx, p) or _comes_in_a_crowd(ctx, p) else {}


def _is_over_a_bound(ctx: RuleContext, p: TooManySourcesParameters) -> bool:
    last_ns = ctx.model.streams.last_unkept_ns
    return bool(last_ns) and ctx.now_ns - last_ns < ns_from_s(p.recent_s)


def _comes_in_a_crowd(ctx: RuleContext, p: TooManySourcesParameters) -> bool:
    return ctx.crowd.is_on and ctx.now_ns - ctx.crowd.last_ns < ns_from_s(p.recent_s)


def overflow_since_ns(ctx: RuleContext, key: str) -> int:
    return int(ctx.model.streams.last_unkept_ns) or ctx.crowd.last_ns


def describe_overflow(ctx: RuleContext, key: str, p: TooManySourcesParameters, before: UnkeptBefore) -> Finding:
    unkept = ctx.model.streams.unkept - before.counts
    universes = ctx.universes
    recent = universes.used & (universes.last_unkept_ns > 0)
    recent &= ctx.now_ns - universes.last_unkept_ns < ns_from_s(p.recent_s)
    what, bound, counted, evidence = "sources", "a show brings", [], []
    if tables := ", ".join(f"{number:,} {BOUNDS[table]}" for table, number in sorted(unkept.items())):
        bound = "can be kept"
        if set(unkept) <= {"rate", "streams"} and not ctx.crowd.is_on:  # one sender can do that
            what = "streams"
        counted.append(f"{wording.count(sum(unkept.values()), 'packet')} counted and not judged ({tables})")
        evidence.append(f"Not kept so far: {tables}.")
    if ctx.crowd.is_on:
        counted.append("new undeclared ones are not judged separately until this is over")
        evidence.append(f"{ctx.crowd.newcomers} undeclared sources came in the last {p.new_s:g} s.")
    return Finding(
        group="tables",
        since_ns=0,
        universes=tuple(np.flatnonzero(recent).tolist()[:MOST_NAMED]),
        facts=TooManySourcesFacts(what, bound, "; ".join(counted)),
        evidence=tuple(evidence),
    )


def bind(setup: RuleSetup, p: TooManySourcesParameters) -> tuple[RuleBinding, ...]:
    before = setup.lasting(UnkeptBefore)
    find, describe = partial(overflow, p=p, before=before), partial(describe_overflow, p=p, before=before)
    return (RuleBinding(KEYS, find, describe, subject=may_be, began_ns=overflow_since_ns),)


RULE = Rule(
    name="too-many-sources",
    rule_class=RuleClass.STORM,
    severity=Severity.WARNING,
    short=ShortWords("too many sources", "too many sources", look="Look for a program that scans"),
    sentence="More {what} than {bound}: {counted}.",
    judged_by=judged_by(TooManySourcesParameters(), bind),
    facts=TooManySourcesFacts,
    measured=(
        Threshold("per_universe", MAX_SOURCES_PER_UNIVERSE, "sources of one universe that are kept"),
        Threshold("in_all", MAX_SOURCES, "sources in all that are kept"),
    ),
    next_checks=("Look for a program that invents senders or universes: a load test, or a scan of the show network.",),
)
