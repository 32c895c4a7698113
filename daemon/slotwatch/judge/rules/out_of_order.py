"""Frames have numbers behind the newest, mostly because they come late, and receivers discard them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.fault_onset import counted_in, last_counted_in
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.rules.sequence_unusable import SequenceUnusableParameters, is_unusable, jumps_ahead
from slotwatch.judge.subjects import is_any_counted
from slotwatch.model.sequence import WINDOW
from slotwatch.model.windows import DISCARDED
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class OutOfOrderParameters(RuleParameters):
    window_s: float = number(10.0, "time in which discarded frames are counted")
    discarded: int = number(5, "frames that the sequence rule discards", "ANSI E1.31-2018 6.7.2")


@dataclass(frozen=True, slots=True)
class OutOfOrderFacts(Facts):
    count: int


def is_out_of_order(ctx: RuleContext, p: OutOfOrderParameters, unusable: SequenceUnusableParameters) -> Mask:
    if not ctx.live_count:
        return ctx.live
    late = ctx.live_e131 & (ctx.counted((DISCARDED,), p.window_s) >= p.discarded)
    if not np.count_nonzero(late):
        return late
    # Numbers that jump about say of no frame that it came late.
    return late & ~is_unusable(ctx, unusable) & ~jumps_ahead(ctx, unusable)


def describe_out_of_order(ctx: RuleContext, row: int, p: OutOfOrderParameters) -> Finding:
    count = int(ctx.counted((DISCARDED,), p.window_s)[row])
    name = ctx.universe_name(ctx.universe_of(row))
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts=OutOfOrderFacts(count),
        evidence=(
            f"{name}: {count} frames in {p.window_s:g} s lie behind the last accepted number by less than {WINDOW}.",
        ),
        also_possible=("two programs that send with one identity and address",),
        weight=float(count),
    )


def bind(setup: RuleSetup, p: OutOfOrderParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(
            STREAMS,
            partial(is_out_of_order, p=p, unusable=setup.parameters(SequenceUnusableParameters)),
            partial(describe_out_of_order, p=p),
            subject=is_any_counted(DISCARDED, p.window_s),
            began_ns=counted_in(DISCARDED, p.window_s),
            ended_ns=last_counted_in(DISCARDED, p.window_s),
            blind_window_s=p.window_s,
        ),
    )


RULE = Rule(
    name="out-of-order",
    rule_class=RuleClass.FLOW,
    severity=Severity.NOTE,
    short=ShortWords("{place} out of order", "{n} universes out of order", look="Look for two network paths"),
    sentence="{universes}{from_sender}: frames have numbers behind the newest, and receivers discard them, {count} in "
    "{window_s:g} s{worst}.",
    judged_by=judged_by(OutOfOrderParameters(), bind),
    facts=OutOfOrderFacts,
    effects=frozenset({Effect.STREAM_TROUBLE}),
    shares_a_path=True,
    source="ANSI E1.31-2018 6.7.2",
    faults=("F61",),
    next_checks=(
        "Look for two paths between the source and this port (bonded links, two wireless bridges).",
        "Check whether the source has just restarted.",
    ),
)
