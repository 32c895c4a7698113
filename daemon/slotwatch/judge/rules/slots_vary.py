"""A stream changes its number of slots to and fro."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.resizing import ROW_NS
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class SlotsVaryParameters(RuleParameters):
    turns: int = number(6, "changes to and fro in a row before the incident opens")


@dataclass(frozen=True, slots=True)
class SlotsVaryFacts(Facts):
    fewer: int
    more: int


def has_any(ctx: RuleContext) -> bool:
    """Whether any stream changed to and fro."""
    return bool(np.count_nonzero(ctx.streams.slot_turns))


def is_varying(ctx: RuleContext, p: SlotsVaryParameters) -> Mask:
    """Live streams whose frames change between two numbers of slots, again and again."""
    streams = ctx.streams
    varying: Mask = streams.slot_turns >= p.turns
    if not np.count_nonzero(varying):
        return varying
    return varying & ctx.live & (ctx.now_ns - streams.slot_turn_ns <= ROW_NS)


def describe_varying(ctx: RuleContext, row: int, p: SlotsVaryParameters) -> Finding:
    fewer, more = sorted((int(ctx.streams.slots[row]), int(ctx.streams.slots_before[row])))
    name = ctx.universe_name(ctx.universe_of(row))
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts=SlotsVaryFacts(fewer, more),
        evidence=(f"{name}: at least {p.turns} changes to and fro in a row, such as {more}, {fewer}, {more} slots.",),
        also_possible=("two programs that send with one identity",),
        weight=float(more - fewer),
    )


def bind(setup: RuleSetup, p: SlotsVaryParameters) -> tuple[RuleBinding, ...]:
    return (RuleBinding(STREAMS, partial(is_varying, p=p), partial(describe_varying, p=p), subject=has_any),)


RULE = Rule(
    name="slots-vary",
    rule_class=RuleClass.FLOW,
    severity=Severity.NOTE,
    short=ShortWords("{place} varies its slots", "{n} universes vary their slots", look="Look at the output setting"),
    sentence="{universes}{from_sender}: frames change between {fewer} and {more} slots{worst}, again and again. "
    "Some receivers output 0 on slots that are not sent.",
    judged_by=judged_by(SlotsVaryParameters(), bind),
    facts=SlotsVaryFacts,
    effects=frozenset({Effect.STREAM_TROUBLE}),
    measured=(
        Threshold("row_s", ROW_NS / NANOSECONDS, "longest time between two such changes that count as in a row"),
    ),
    may_exceed_note=False,
    faults=("F56",),
    next_checks=(
        "Look at the sender's output setting: does it send full universes, or only what changed?",
        "Look at the fixtures with the highest addresses of this universe: do they flicker?",
    ),
)
