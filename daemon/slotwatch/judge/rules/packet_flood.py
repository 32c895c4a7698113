"""Packets come far more often than any house sends: of one kind without levels, or levels of one source."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import GROUP, SOURCE, Effect, Explains, Reach
from slotwatch.judge.listener import ARP
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.storms import COUNTED_PART, GOES_ON_UNIVERSES, Storms
from slotwatch.model.admission import MOST_UNIVERSES
from slotwatch.model.occasions import REJECTED
from slotwatch.model.surges import COUNTED_NS, Surge
from slotwatch.snapshot import Confidence, Severity

Flood = tuple[str, int]
"""Kind of packet, and network; of levels the row of their source."""
LEVELS = "levels"
WORDS = {
    "discovery": "E1.31 discovery lists",
    "polls": "Art-Net polls",
    "replies": "Art-Net poll replies",
    "syncs": "sync packets",
    "reports": "IGMP and MLD messages",
    ARP: "ARP packets",
    "others": "Art-Net packets that carry no levels",
    REJECTED: "packets that no protocol accepts",
}
MOST_NAMED = 3
CHECKS_OF_ONE = ("Find out which machine has this address, and which program on it sends them.",)
CHECKS_OF_A_DEVICE = (
    "Look for this device address in the switches' address tables: they name the port that it is behind.",
)
CHECKS_OF_FEW = ("Find out which machines have these addresses, and which program on them sends that much.",)
CHECKS_OF_MANY = (
    "Sender addresses can be invented. Compare the packet counters of the switches' ports: the one that receives far "
    "more than the others leads to the machine.",
    "Storm control on that port holds a flood back. On the port of a desk it drops show data too.",
)
MOSTLY = 0.5
"""Share of one address from which it is named as the sender."""


@dataclass(frozen=True, slots=True)
class PacketFloodParameters(RuleParameters):
    packets_hz: float = number(2000.0, "packets of one kind on one network in each of these seconds")
    lasts_s: float = number(3.0, "whole seconds in a row, up to 9")
    levels_hz: float = number(10_000.0, "packets of levels from one source")
    each_hz: float = number(60.0, "of them on its mean universe: no desk sends that fast")
    levels_window_s: float = number(1.0, "time over which those are counted")


@dataclass(frozen=True, slots=True)
class PacketFloodFacts(Facts):
    what: str
    extent: str
    who: str


def _surges(ctx: RuleContext) -> dict[Flood, Surge]:
    return ctx.model.occasions.surges.known | ctx.listener.group_messages.known


def floods(ctx: RuleContext, p: PacketFloodParameters, storms: Storms) -> dict[Flood, None]:
    """Kinds of packets of which each of the last seconds had too many, and sources that storm."""
    stormy = storms.rates(ctx, p.levels_hz, p.each_hz, p.levels_window_s)
    found: dict[Flood, None] = {(LEVELS, row): None for row in stormy}
    for key, surge in _surges(ctx).items():
        if not surge.busy_ns or ctx.now_ns - surge.busy_ns > COUNTED_NS:
            continue
        # `malformed-packets` names one sender of those.
        has_own_rule = key[0] == REJECTED and _main_sender(surge)
        if not has_own_rule and min(surge.lately(int(ctx.now_ns), round(p.lasts_s))) >= p.packets_hz:
            found[key] = None
    return found


def flood_began_ns(ctx: RuleContext, key: Flood, p: PacketFloodParameters) -> int:
    """When the run of seconds above the limit began, exact to a second."""
    if key[0] == LEVELS:
        rows = ctx.streams_from(key[1])
        # Seconds of its window may be from before: it began when its newest streams did, or within the window.
        since_ns = int(ctx.streams.since_ns[rows].min()) if len(rows) else ctx.at_ns
        return max(since_ns, ctx.at_ns - ns_from_s(p.levels_window_s))
    surge = _surges(ctx).get(key)
    return surge.began_ns(ctx.at_ns, p.packets_hz) if surge else 0


def describe_flood(ctx: RuleContext, key: Flood, p: PacketFloodParameters, storms: Storms) -> Finding:
    kind, network = key
    if kind == LEVELS:
        return _describe_storm(ctx, network, p, storms)
    surge = _surges(ctx).get(key, Surge())
    rate = max(surge.lately(ctx.at_ns, round(p.lasts_s)))
    # Two digits: a rate that wavers is not put into other words each second.
    shown = int(float(f"{rate:.2g}"))
    senders = sorted(surge.senders, key=lambda address: -surge.senders[address])
    more = "" if len(senders) <= MOST_NAMED and not surge.others else " and more"
    return Finding(
        group=f"flood:{kind}:{ctx.network_name(network)}",
        since_ns=0,
        networks=(network,),
        facts=PacketFloodFacts(
            wording.at_the_start(WORDS[kind]), f"about {shown:,} a second", _say_who(surge, senders)
        ),
        evidence=(
            f"About {shown:,} {WORDS[kind]} a second on network {ctx.network_name(network)}, from "
            f"{wording.list_names(senders[:MOST_NAMED]) if senders else 'unknown addresses'}{more}.",
        ),
        confidence=Confidence.HIGH,
        next_checks=_checks(kind, surge, senders),
        also_possible=("a loop between two switches, in which the same packets go round",),
        weight=float(rate),
    )


def _describe_storm(ctx: RuleContext, source: int, p: PacketFloodParameters, storms: Storms) -> Finding:
    rate = storms.rates(ctx, p.levels_hz, p.each_hz, p.levels_window_s).get(source, 0.0)
    streams = ctx.streams
    rows = ctx.streams_from(source)
    universes = sorted(set(streams.universe[rows].tolist()))
    shown, who = int(float(f"{rate:.1g}")), ctx.say_source(source)
    extent, counted = f"about {shown:,} a second", "About"
    if len(rows) > MOST_UNIVERSES:  # its packets on universes that are not kept are not counted
        extent, counted = f"on over {MOST_UNIVERSES:,} universes", "At least"
    return Finding(
        group=f"flood:{LEVELS}:{ctx.source_key(source)}",
        since_ns=0,
        last_ns=storms.last_ns(ctx, source),
        sources=(source,),
        networks=(ctx.sources[source].network,),
        facts=PacketFloodFacts("Packets of levels", extent, who),
        evidence=(f"{counted} {shown:,} packets of levels a second from {who} to {ctx.name_universes(universes)}.",),
        confidence=Confidence.HIGH,
        next_checks=CHECKS_OF_ONE,
        also_possible=("a loop between two switches, in which the same packets go round",),
        weight=rate,
    )


def _main_sender(surge: Surge) -> str:
    """The address that sends most of them; empty if none does."""
    named = sum(surge.senders.values()) + surge.others
    most = max(surge.senders, key=surge.senders.__getitem__, default="")
    return most if most and surge.senders[most] >= MOSTLY * named else ""


def _say_who(surge: Surge, senders: list[str]) -> str:
    if main := _main_sender(surge):
        return main
    return "many addresses" if len(senders) > MOST_NAMED or surge.others else wording.list_names(senders)


def _checks(kind: str, surge: Surge, senders: list[str]) -> tuple[str, ...]:
    """What to look at: invented addresses lead to no machine."""
    if _main_sender(surge):
        return CHECKS_OF_A_DEVICE if kind == ARP else CHECKS_OF_ONE
    return CHECKS_OF_MANY if len(senders) > MOST_NAMED or surge.others else CHECKS_OF_FEW


def bind(setup: RuleSetup, p: PacketFloodParameters) -> tuple[RuleBinding, ...]:
    began, storms = partial(flood_began_ns, p=p), setup.lasting(Storms)
    return (
        RuleBinding(
            KEYS,
            partial(floods, p=p, storms=storms),
            partial(describe_flood, p=p, storms=storms),
            began_ns=began,
            remembers=storms.is_counting,
        ),
    )


RULE = Rule(
    name="packet-flood",
    rule_class=RuleClass.STORM,
    severity=Severity.WARNING,
    short=ShortWords("packet flood", "{n} packet floods", look="Look for the machine that sends it"),
    sentence="{what} arrive from {who}, {extent}: far more than any house sends. "
    "They are counted, and declared sources are judged as before.",
    judged_by=judged_by(PacketFloodParameters(), bind),
    facts=PacketFloodFacts,
    explains=Explains(
        25,
        Reach(
            SOURCE,
            effects=frozenset({Effect.STREAM_TROUBLE}),
            rules=frozenset(
                {"fast-refresh", "undeclared-universe", "unexpected-source", "sequence-unusable", "repeated-packets"}
            ),
        ),
        # Many addresses that send what no protocol accepts are named as a flood of it.
        Reach(GROUP, rules=frozenset({"malformed-packets"})),
    ),
    names_universes=False,
    measured=(
        Threshold(
            "universes", MOST_UNIVERSES, "universes of one source: a gigabit carries 4,034 at 44 frames a second"
        ),
        Threshold(
            "still_universes",
            GOES_ON_UNIVERSES,
            "universes in a second above which the flood of such a source still lasts",
        ),
        Threshold(
            "counted_ratio", COUNTED_PART, "part of `levels_hz` above which a source of more universes is a flood"
        ),
    ),
    faults=("F25",),
    next_checks=("Look at the switches: a loop makes many packets out of one.",),
)
