"""One address sends packets that no protocol accepts, or one DMX512 line brings such packets."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lines import line_group, line_name
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.counters import COUNTED_NS, OFFENCE_BUCKETS
from slotwatch.snapshot import Severity
from slotwatch.wire.names import address_text
from slotwatch.wire.reject import Reject
from slotwatch.wire.universe import Protocol

CHECKS_OF_A_LINE = (
    "Look at what drives this line: is its output set to DMX512?",
    "Look at the version of the program that sends the packets.",
)
Sender = tuple[int, bytes, int]
"""Network, address as 16 bytes, and the number of a line; 0: it is none."""


@dataclass(frozen=True, slots=True)
class MalformedPacketsParameters(RuleParameters):
    packets: int = number(10, "rejected packets from one address that count")


@dataclass(frozen=True, slots=True)
class MalformedPacketsFacts(Facts):
    address: str
    count: int
    fault: str


def is_any_known(ctx: RuleContext) -> bool:
    """Whether any sender of malformed packets is known."""
    return bool(ctx.model.counters.offenders)


def offenders(ctx: RuleContext, p: MalformedPacketsParameters) -> dict[Sender, None]:
    counters = ctx.model.counters
    if not counters.offenders:
        return {}
    if ctx.now_ns - counters.last_offence_ns() > COUNTED_NS:
        return {}
    return {
        (one.network, one.address, one.line): None for one in counters.rejected_recently(int(ctx.now_ns), p.packets)
    }


def describe_offender(ctx: RuleContext, key: Sender) -> Finding:
    one = ctx.model.counters.offenders.get(key)
    network, octets, line = key
    address = line_name(ctx, line) if line else address_text(octets)
    count = one.recent(ctx.now_ns) if one else 0
    reject, protocol = Reject(one.last_reason if one else 0), Protocol(one.protocol).facts.title if one else ""
    return Finding(
        group=line_group(ctx, line) if line else f"address:{network}:{address}",
        since_ns=0,
        networks=() if line else (network,),
        facts=MalformedPacketsFacts(address, count, reject.text),
        evidence=(
            f"{address}{'' if line else f' on the {protocol} port'}: {count} packets rejected in {OFFENCE_BUCKETS} s, "
            f"the last as {reject.word}.",
        ),
        next_checks=CHECKS_OF_A_LINE if line else (),
        weight=float(count),
    )


def began_ns(ctx: RuleContext, key: Sender) -> int:
    one = ctx.model.counters.offenders.get(key)
    return one.began_ns(ctx.now_ns) if one else 0


def ended_ns(ctx: RuleContext, key: Sender) -> int:
    one = ctx.model.counters.offenders.get(key)
    return one.last_ns if one else 0


def bind(setup: RuleSetup, p: MalformedPacketsParameters) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding(
            KEYS,
            partial(offenders, p=p),
            describe_offender,
            subject=is_any_known,
            began_ns=began_ns,
            ended_ns=ended_ns,
        ),
    )


RULE = Rule(
    name="malformed-packets",
    rule_class=RuleClass.STORM,
    severity=Severity.WARNING,
    short=ShortWords("malformed packets", "{n} send malformed packets", look="Find out which machine sends them"),
    sentence="{address} sends packets that no protocol accepts: {count} in {window_s:g} s. The last one had {fault}.",
    judged_by=judged_by(MalformedPacketsParameters(), bind),
    facts=MalformedPacketsFacts,
    names_universes=False,
    measured=(Threshold("window_s", OFFENCE_BUCKETS, "time in which rejected packets are counted"),),
    source="ANSI E1.31-2018 5 to 7 (what must be discarded)",
    faults=("F54", "F57"),
    next_checks=(
        "Find out which machine has this address, and which program on it uses the show's port.",
        "Look at the version of the program that sends them.",
    ),
)
