"""Packets announce the end of a stream again and again, and it goes on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.durations import NANOSECONDS, ns_from_s
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.endings import PAUSE_NS
from slotwatch.snapshot import Confidence, Severity


@dataclass(frozen=True, slots=True)
class FalseEndParameters(RuleParameters):
    packets: int = number(5, "such packets in a row, each belied by the next frame")
    recent_s: float = number(5.0, "time for which the last one counts")


def has_any(ctx: RuleContext) -> bool:
    """Whether any stream has such packets in a row."""
    return bool(np.count_nonzero(ctx.streams.false_ends))


def is_belied(ctx: RuleContext, p: FalseEndParameters) -> Mask:
    return _since_lately(ctx, p, p.packets)


def is_in_a_row(ctx: RuleContext, p: FalseEndParameters) -> bool:
    """Whether such packets come, so that the next one may be one too many."""
    return bool(np.count_nonzero(_since_lately(ctx, p, 1)))


def _since_lately(ctx: RuleContext, p: FalseEndParameters, fewest: int) -> Mask:
    streams = ctx.streams
    found: Mask = ctx.live_e131 & (streams.false_ends >= fewest)
    if np.count_nonzero(found):
        found &= ctx.now_ns - streams.last_false_end_ns < ns_from_s(p.recent_s)
    return found


def describe_false_end(ctx: RuleContext, row: int) -> Finding:
    return finding_of(
        ctx,
        row,
        since_ns=0,
        evidence=(
            f"{ctx.universe_name(ctx.universe_of(row))}: packets with the stream-terminated bit, each followed by "
            "frames without it.",
        ),
        confidence=Confidence.HIGH,
        also_possible=("somebody else sends these packets with the source's identity and address",),
    )


def bind(setup: RuleSetup, p: FalseEndParameters) -> tuple[RuleBinding, ...]:
    belied, in_a_row = partial(is_belied, p=p), partial(is_in_a_row, p=p)
    return (RuleBinding(STREAMS, belied, describe_false_end, subject=has_any, is_wary=in_a_row),)


RULE = Rule(
    name="false-end",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("{place} announces its end", "{n} announce their end", look="Look at the source's version"),
    sentence="{universes}{from_sender}: packets announce the end of the stream again and again, and it goes on. "
    "Receivers that obey lose the source each time.",
    judged_by=judged_by(FalseEndParameters(), bind),
    measured=(
        Threshold("pause_s", PAUSE_NS / NANOSECONDS, "time without such a packet after which they are counted anew"),
    ),
    source="ANSI E1.31-2018 6.2.6 (three such packets end a stream, and a receiver obeys each)",
    faults=("F01",),
    next_checks=(
        "Look at the sender's version and settings: which program sets the bit?",
        "Look at the stage: do receivers flicker, or fall back to another source?",
    ),
)
