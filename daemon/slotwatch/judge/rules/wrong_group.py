"""A universe is sent to the multicast group of another."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import is_any_live
from slotwatch.model.destinations import Destination
from slotwatch.model.windows import COPIES
from slotwatch.snapshot import Severity

COPIES_S = 5.0
"""A frame that also goes to its own group comes twice within 10 ms."""
EVERY, SOME = "get nothing", "do not get them"


@dataclass(frozen=True, slots=True)
class WrongGroupParameters(RuleParameters):
    on_delay_s: float = number(1.0, "time that it is sent there before the incident opens")
    in_turn_s: float = number(
        1.5, "time for which frames go to several addresses in turn, and for which the last such frame counts"
    )


@dataclass(frozen=True, slots=True)
class WrongGroupFacts(Facts):
    group: str
    what: str
    receivers: str


def is_wrong_group(ctx: RuleContext, p: WrongGroupParameters) -> Mask:
    streams = ctx.streams
    wrong: Mask = ctx.live_e131 & (streams.last_wrong_group_ns > 0)
    if np.count_nonzero(wrong):
        in_turn_ns = ns_from_s(p.in_turn_s)
        lately = ctx.now_ns - streams.last_wrong_group_ns < in_turn_ns
        wrong &= np.where(_is_in_turn(ctx, p), lately, streams.destination_kind == Destination.OTHER_GROUP)
        # What goes to both reaches the receivers of its own.
        wrong &= (ctx.now_ns - streams.destinations_ns >= in_turn_ns) | (ctx.counted((COPIES,), COPIES_S) == 0)
    return wrong


def _is_in_turn(ctx: RuleContext, p: WrongGroupParameters) -> Mask:
    """Streams whose address has changed again and again for a while."""
    streams, while_ns = ctx.streams, ns_from_s(p.in_turn_s)
    several: Mask = streams.destinations_ns - streams.destinations_since_ns >= while_ns
    return several & (ctx.now_ns - streams.destinations_ns < while_ns)


def describe_wrong_group(ctx: RuleContext, row: int, p: WrongGroupParameters) -> Finding:
    group = int(ctx.streams.wrong_group[row])
    name = ctx.universe_name(ctx.universe_of(row))
    to = f"239.255.{group >> 8}.{group & 255}" if group else "a group that belongs to no universe"
    is_part = bool(_is_in_turn(ctx, p)[row])
    found = finding_of(
        ctx,
        row,
        since_ns=0,
        facts=WrongGroupFacts(str(group or "none"), "some frames" if is_part else "frames", SOME if is_part else EVERY),
        evidence=(f"{name} by its packets, {'some of them ' if is_part else ''}sent to {to}.",),
    )
    return replace(found, group=f"{found.group} in part") if is_part else found


def bind(setup: RuleSetup, p: WrongGroupParameters) -> tuple[RuleBinding, ...]:
    describe = partial(describe_wrong_group, p=p)
    return (RuleBinding(STREAMS, partial(is_wrong_group, p=p), describe, subject=is_any_live),)


RULE = Rule(
    name="wrong-group",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("{place} in wrong group", "{n} in the wrong group", look="Look at the multicast setting"),
    sentence="{universes}{from_sender}: {what} are sent to the group of universe {group}. "
    "Receivers of its own group {receivers}.",
    judged_by=judged_by(WrongGroupParameters(), bind),
    facts=WrongGroupFacts,
    source="ANSI E1.31-2018 9.1.1, 9.3.1",
    faults=("F51", "F52"),
    next_checks=("Look at the sender's multicast setting for this universe.",),
)
