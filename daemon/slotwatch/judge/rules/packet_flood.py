"""Packets that carry no levels come far more often than any house sends them: lists, polls, replies, syncs, IGMP."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rule import Facts, Rule, RuleClass, RuleParameters, ShortWords, judged_by, number
from slotwatch.model.surges import COUNTED_NS, Surge
from slotwatch.snapshot import Confidence, Severity

Flood = tuple[str, int]
"""Kind of packet, and network."""
WORDS = {
    "discovery": "E1.31 discovery lists",
    "polls": "Art-Net polls",
    "replies": "Art-Net poll replies",
    "syncs": "sync packets",
    "reports": "IGMP and MLD messages",
}
MOST_NAMED = 3
MOSTLY = 0.5
"""Share of one address from which it is named as the sender."""


@dataclass(frozen=True, slots=True)
class PacketFloodParameters(RuleParameters):
    packets_hz: float = number(2000.0, "packets of one kind on one network in each of these seconds")
    lasts_s: float = number(3.0, "whole seconds in a row, up to 9")


@dataclass(frozen=True, slots=True)
class PacketFloodFacts(Facts):
    what: str
    rate: str
    who: str


def _surges(ctx: RuleContext) -> dict[Flood, Surge]:
    return ctx.model.occasions.surges.known | ctx.listener.group_messages.known


def floods(ctx: RuleContext, p: PacketFloodParameters) -> dict[Flood, None]:
    """Kinds of packets of which each of the last seconds had too many."""
    found: dict[Flood, None] = {}
    for key, surge in _surges(ctx).items():
        if not surge.busy_ns or ctx.now_ns - surge.busy_ns > COUNTED_NS:
            continue
        if min(surge.lately(int(ctx.now_ns), round(p.lasts_s))) >= p.packets_hz:
            found[key] = None
    return found


def flood_began_ns(ctx: RuleContext, key: Flood, p: PacketFloodParameters) -> int:
    """When the run of seconds with so many began, to a second."""
    surge = _surges(ctx).get(key)
    return surge.began_ns(ctx.at_ns, p.packets_hz) if surge else 0


def describe_flood(ctx: RuleContext, key: Flood, p: PacketFloodParameters) -> Finding:
    kind, network = key
    surge = _surges(ctx).get(key, Surge())
    rate = max(surge.lately(ctx.at_ns, round(p.lasts_s)))
    # Two digits: a rate that wavers is not put into other words each second.
    shown = int(float(f"{rate:.2g}"))
    senders = sorted(surge.senders, key=lambda address: -surge.senders[address])
    named = sum(surge.senders.values()) + surge.others
    more = "" if len(senders) <= MOST_NAMED and not surge.others else " and more"
    return Finding(
        group=f"flood:{kind}:{network}",
        since_ns=0,
        networks=(network,),
        facts=PacketFloodFacts(WORDS[kind], f"{shown:,}", _say_who(surge, senders, named)),
        evidence=(
            f"About {shown:,} {WORDS[kind]} a second on {ctx.network_name(network)}, from "
            f"{wording.list_names(senders[:MOST_NAMED]) if senders else 'unknown addresses'}{more}.",
        ),
        confidence=Confidence.HIGH,
        also_possible=("a loop between two switches, in which the same packets go round",),
        weight=float(rate),
    )


def _say_who(surge: Surge, senders: list[str], named: int) -> str:
    if senders and surge.senders[senders[0]] >= MOSTLY * named:
        return senders[0]
    return "many addresses" if len(senders) > MOST_NAMED or surge.others else wording.list_names(senders)


def bind(setup: RuleSetup, p: PacketFloodParameters) -> tuple[RuleBinding, ...]:
    began = partial(flood_began_ns, p=p)
    return (RuleBinding(KEYS, partial(floods, p=p), partial(describe_flood, p=p), began_ns=began),)


RULE = Rule(
    name="packet-flood",
    rule_class=RuleClass.STORM,
    severity=Severity.WARNING,
    short=ShortWords("packet flood", "{n} packet floods", look="Find out which machine sends them"),
    sentence="{what} arrive from {who}, about {rate} a second: far more than any house sends. "
    "They are counted, and declared sources are judged as before.",
    judged_by=judged_by(PacketFloodParameters(), bind),
    facts=PacketFloodFacts,
    names_universes=False,
    faults=("F25",),
    next_checks=(
        "Find out which machine has this address, and which program on it sends them.",
        "Look at the switches: a loop makes many packets out of one.",
    ),
)
