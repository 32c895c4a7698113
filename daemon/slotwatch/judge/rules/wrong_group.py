"""A universe is sent to the multicast group of another."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.judge.binding import STREAMS, Finding, Mask, RuleBinding, RuleSetup, finding_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import is_any_live
from slotwatch.model.destinations import Destination
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class WrongGroupParameters(RuleParameters):
    on_delay_s: float = number(1.0, "time that it is sent there before the incident opens")


@dataclass(frozen=True, slots=True)
class WrongGroupFacts(Facts):
    group: str


def is_wrong_group(ctx: RuleContext) -> Mask:
    streams = ctx.streams
    wrong: Mask = ctx.live_e131 & (streams.destination_kind == Destination.OTHER_GROUP)
    return wrong


def describe_wrong_group(ctx: RuleContext, row: int) -> Finding:
    group = int(ctx.streams.destination_universe[row])
    name = ctx.universe_name(ctx.universe_of(row))
    to = f"239.255.{group >> 8}.{group & 255}" if group else "a group that belongs to no universe"
    return finding_of(
        ctx,
        row,
        since_ns=0,
        facts=WrongGroupFacts(str(group or "none")),
        evidence=(f"{name} by its packets, sent to {to}.",),
    )


def bind(setup: RuleSetup, p: WrongGroupParameters) -> tuple[RuleBinding, ...]:
    return (RuleBinding(STREAMS, is_wrong_group, describe_wrong_group, subject=is_any_live),)


RULE = Rule(
    name="wrong-group",
    rule_class=RuleClass.FLOW,
    severity=Severity.WARNING,
    short=ShortWords("{place} in wrong group", "{n} in the wrong group", look="Look at the multicast setting"),
    sentence="{universes}{from_sender}: frames are sent to the group of universe {group}. "
    "Receivers of its own group get nothing.",
    judged_by=judged_by(WrongGroupParameters(), bind),
    facts=WrongGroupFacts,
    source="ANSI E1.31-2018 9.1.1, 9.3.1",
    faults=("F51", "F52"),
    next_checks=("Look at the sender's multicast setting for this universe.",),
)
