"""One address or many send packets that no protocol accepts, or one DMX512 line brings such packets."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import partial

from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lines import line_group, line_name
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.rules.packet_flood import PacketFloodParameters
from slotwatch.model.counters import COUNTED_NS, MAX_OFFENDERS, OFFENCE_BUCKETS, Offender
from slotwatch.model.occasions import REJECTED
from slotwatch.model.surges import SECONDS
from slotwatch.snapshot import Severity
from slotwatch.wire.names import address_text
from slotwatch.wire.reject import Reject
from slotwatch.wire.universe import Protocol

CHECKS_OF_A_LINE = (
    "Look at what drives this line: is its output set to DMX512?",
    "Look at the version of the program that sends the packets.",
)
CHECKS_OF_MANY = (
    "Sender addresses can be invented. Compare the packet counters of the switches' ports: the one that receives far "
    "more than the others leads to the machine.",
    "Where the addresses are real, look for what these machines have in common: one program, or one setting.",
)
CHECK_NUMBERS = "Look at its universe numbers and sync addresses: E1.31 allows 1 to 63999."
Sender = tuple[int, bytes, int]
"""Network, address as 16 bytes, and the number of a line; 0: it is none."""
MANY = b""
"""In place of an address: many of them send."""
MOST_NAMED = 3
NEARLY_ALL = MAX_OFFENDERS * 25 // 32
"""200. Of so many addresses more may have sent: where their table is full, some make room for others."""
MOSTLY = 0.5
"""Share of all rejected packets from which those who sent most of them are named."""


@dataclass(frozen=True, slots=True)
class MalformedPacketsParameters(RuleParameters):
    packets: int = number(10, "rejected packets from one address that count")
    apart: int = number(8, "most addresses of one network that are each an incident of their own")


@dataclass(frozen=True, slots=True)
class MalformedPacketsFacts(Facts):
    who: str
    count: int
    fault: str


def is_any_known(ctx: RuleContext) -> bool:
    """Whether any sender of malformed packets is known."""
    return bool(ctx.model.counters.offenders)


def offenders(ctx: RuleContext, p: MalformedPacketsParameters, flood: PacketFloodParameters) -> dict[Sender, None]:
    counters = ctx.model.counters
    if not counters.offenders:
        return {}
    if ctx.now_ns - counters.last_offence_ns() > COUNTED_NS:
        return {}
    found = _by_network(ctx, p)
    return {
        key: None for keys in found.values() for key in keys if key[1] != MANY or not _was_flood(ctx, key[0], flood)
    }


def _was_flood(ctx: RuleContext, network: int, flood: PacketFloodParameters) -> bool:
    """Whether those that still count are what is left of a flood, which is over: `packet-flood` reported it."""
    surge = ctx.model.occasions.surges.known.get((REJECTED, network))
    counts = surge.lately(ctx.at_ns, SECONDS - 1) if surge else []
    return max(counts, default=0) >= flood.packets_hz > counts[-1]


def _by_network(ctx: RuleContext, p: MalformedPacketsParameters) -> dict[int, list[Sender]]:
    """Who sends too many, by network; one MANY where they are more than can be told apart."""
    found: dict[int, list[Sender]] = defaultdict(list)
    lines: list[Sender] = []
    for one in ctx.model.counters.rejected_recently(int(ctx.now_ns), p.packets):
        (lines if one.line else found[one.network]).append((one.network, one.address, one.line))
    for network, keys in found.items():
        if len(keys) > p.apart or _is_a_small_part(ctx, network, keys, p):
            found[network] = [(network, MANY, 0)]
    return found | {-1: lines}


def _is_a_small_part(ctx: RuleContext, network: int, keys: list[Sender], p: MalformedPacketsParameters) -> bool:
    """Whether most rejected packets of a network come from others than these, from more than can be told apart."""
    senders = _senders(ctx, network)
    own = sum(ctx.model.counters.offenders[key].recent(ctx.at_ns) for key in keys)
    return len(senders) > p.apart and own < MOSTLY * sum(one.recent(ctx.at_ns) for one in senders)


def _senders(ctx: RuleContext, network: int) -> list[Offender]:
    """Who sent any such packet on a network in the last 10 s, those with the most first."""
    senders = [one for one in ctx.model.counters.offenders.values() if one.network == network and not one.line]
    return sorted((one for one in senders if one.recent(ctx.at_ns)), key=lambda one: -one.recent(ctx.at_ns))


def describe_offender(ctx: RuleContext, key: Sender) -> Finding:
    network, octets, line = key
    if octets == MANY:
        return _describe_many(ctx, network)
    one = ctx.model.counters.offenders.get(key)
    address = line_name(ctx, line) if line else address_text(octets)
    count = one.recent(ctx.at_ns) if one else 0
    reject, protocol = Reject(one.last_reason if one else 0), Protocol(one.protocol).facts.title if one else ""
    return Finding(
        group=line_group(ctx, line) if line else f"address:{ctx.network_name(network)}:{address}",
        since_ns=0,
        networks=() if line else (network,),
        facts=MalformedPacketsFacts(
            f"{address}{'' if line else _whose(ctx, network, address)} sends", count, reject.text
        ),
        evidence=(
            f"{address}{'' if line else f' on the {protocol} port'}: {count} packets rejected in {OFFENCE_BUCKETS} s, "
            f"the last as {reject.word}.",
        ),
        next_checks=CHECKS_OF_A_LINE if line else (CHECK_NUMBERS,) if reject is Reject.BAD_UNIVERSE else (),
        weight=float(count),
    )


def _whose(ctx: RuleContext, network: int, address: str) -> str:
    """Say which declared source has this address. Another machine may have sent the packets in its name."""
    here = (ctx.sources[row] for row in ctx.sources)
    names = {one.declared_as for one in here if (one.network, one.address) == (network, address)}
    return "".join(f', the address of "{name}",' for name in sorted(names - {""})[:1])


def _describe_many(ctx: RuleContext, network: int) -> Finding:
    senders = _senders(ctx, network)
    count = sum(one.recent(ctx.at_ns) for one in senders)
    last = max(senders, key=lambda one: one.last_ns, default=None)
    reject = Reject(last.last_reason if last else 0)
    addresses = f"{f'Over {NEARLY_ALL}' if len(senders) > NEARLY_ALL else len(senders)} addresses"
    names = wording.list_names(address_text(one.address) for one in senders[:MOST_NAMED])
    return Finding(
        # As a flood of them is named: this is part of one.
        group=f"flood:{REJECTED}:{ctx.network_name(network)}",
        since_ns=0,
        networks=(network,),
        facts=MalformedPacketsFacts(f"{addresses} send", count, reject.text),
        evidence=(
            f"{addresses} on network {ctx.network_name(network)} sent such packets in "
            f"{OFFENCE_BUCKETS} s, among them {names}; the last packet was rejected as {reject.word}.",
        ),
        next_checks=CHECKS_OF_MANY,
        # Packets a second, as a flood's: that is one incident with this, and keeps the words of the larger figure.
        weight=count / OFFENCE_BUCKETS,
    )


def began_ns(ctx: RuleContext, key: Sender) -> int:
    return min((one.began_ns(ctx.at_ns) for one in _counted(ctx, key)), default=0)


def ended_ns(ctx: RuleContext, key: Sender) -> int:
    return max((one.last_ns for one in _counted(ctx, key)), default=0)


def _counted(ctx: RuleContext, key: Sender) -> list[Offender]:
    """Whose packets a case is about."""
    if key[1] == MANY:
        return _senders(ctx, key[0])
    one = ctx.model.counters.offenders.get(key)
    return [one] if one else []


def bind(setup: RuleSetup, p: MalformedPacketsParameters) -> tuple[RuleBinding, ...]:
    flood = setup.parameters(PacketFloodParameters)
    return (
        RuleBinding(
            KEYS,
            partial(offenders, p=p, flood=flood),
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
    sentence="{who} packets that no protocol accepts: {count} in {window_s:g} s. The last packet had {fault}.",
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
