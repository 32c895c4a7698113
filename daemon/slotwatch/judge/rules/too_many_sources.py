"""More sources, streams or addresses than the model keeps: what comes of the rest is counted and not judged."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rule import Facts, Rule, RuleClass, RuleParameters, ShortWords, Threshold, judged_by, number
from slotwatch.model.columns import MAX_SOURCES, MAX_SOURCES_PER_UNIVERSE
from slotwatch.snapshot import Severity

MOST_NAMED = 64
"""Universes that one finding names."""


@dataclass(frozen=True, slots=True)
class TooManySourcesParameters(RuleParameters):
    off_delay_s: float = number(60.0, "time without a packet that was not kept, before it is over")
    recent_s: float = number(10.0, "time for which a packet that was not kept counts")


@dataclass(frozen=True, slots=True)
class TooManySourcesFacts(Facts):
    count: int
    table: str


def overflow(ctx: RuleContext, p: TooManySourcesParameters) -> dict[str, None]:
    last_ns = ctx.model.streams.last_unkept_ns
    return {"all": None} if last_ns and ctx.now_ns - last_ns < ns_from_s(p.recent_s) else {}


def overflow_since_ns(ctx: RuleContext, key: str) -> int:
    return int(ctx.model.streams.last_unkept_ns)


def describe_overflow(ctx: RuleContext, key: str, p: TooManySourcesParameters) -> Finding:
    unkept = ctx.model.streams.unkept
    universes = ctx.universes
    recent = universes.used & (universes.last_unkept_ns > 0)
    recent &= ctx.now_ns - universes.last_unkept_ns < ns_from_s(p.recent_s)
    count = sum(unkept.values())
    tables = ", ".join(f"{number} by the bound of {table}" for table, number in sorted(unkept.items()) if number)
    return Finding(
        group="tables",
        since_ns=0,
        universes=tuple(np.flatnonzero(recent).tolist()[:MOST_NAMED]),
        facts=TooManySourcesFacts(count, tables),
        evidence=(f"Not kept so far: {tables}.",),
    )


def bind(setup: RuleSetup, p: TooManySourcesParameters) -> tuple[RuleBinding, ...]:
    describe = partial(describe_overflow, p=p)
    return (RuleBinding(KEYS, partial(overflow, p=p), describe, began_ns=overflow_since_ns),)


RULE = Rule(
    name="too-many-sources",
    rule_class=RuleClass.STORM,
    severity=Severity.WARNING,
    short=ShortWords("too many sources", "too many sources", look="Look for a program that scans"),
    sentence="More sources than can be kept: {count} packets counted and not judged ({table}).",
    judged_by=judged_by(TooManySourcesParameters(), bind),
    facts=TooManySourcesFacts,
    measured=(
        Threshold("per_universe", MAX_SOURCES_PER_UNIVERSE, "sources of one universe that are kept"),
        Threshold("in_all", MAX_SOURCES, "sources in all that are kept"),
    ),
    next_checks=("Look for a program that invents senders: a load test, or a scan of the show network.",),
)
