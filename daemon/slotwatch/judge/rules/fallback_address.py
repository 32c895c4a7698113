"""A source, a device or this listener has an address that no server gave."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import ns_from_s
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity

FALLBACK_PREFIX = "169.254."
"""RFC 3927."""
LINK_LOCAL_PREFIX = "fe80:"
"""RFC 4291 2.5.6: every interface has one, so it says nothing."""
OWN, DEVICE = -1, -2
"""In place of a source's row."""
Fallback = tuple[int, str, int]
"""Network, address, and row of the source; OWN; DEVICE."""


@dataclass(frozen=True, slots=True)
class FallbackAddressParameters(RuleParameters):
    on_delay_s: float = number(1.0, "time that it has the address before the incident opens")
    fresh_s: float = number(30.0, "time since its last packet for which a source counts")


@dataclass(frozen=True, slots=True)
class FallbackAddressFacts(Facts):
    who: str
    address: str


def fallback_addresses(ctx: RuleContext, p: FallbackAddressParameters) -> dict[Fallback, None]:
    """Sources, neighbours and this listener itself under an address that no server gave."""
    found: dict[Fallback, None] = {}
    for row in ctx.sources:
        source = ctx.sources[row]
        # What this computer itself sent before it had a better address is not a device.
        if not source.address.startswith(FALLBACK_PREFIX) or ctx.is_here(row):
            continue
        if ctx.now_ns - source.last_seen_ns < ns_from_s(p.fresh_s):
            found[source.network, source.address, row] = None
    for network, link in ctx.listener.links.items():
        own = link.seen.addresses
        if own and all(one.startswith((FALLBACK_PREFIX, LINK_LOCAL_PREFIX)) for one in own):
            fallback = next((one for one in own if one.startswith(FALLBACK_PREFIX)), "")
            if fallback:
                found[network, fallback, OWN] = None
    for (network, address), neighbour in ctx.listener.neighbours.by_address.items():
        is_fallback = neighbour.reachable and address.startswith(FALLBACK_PREFIX)
        if is_fallback and not any(key[:2] == (network, address) for key in found):
            found[network, address, DEVICE] = None
    return found


def describe_fallback(ctx: RuleContext, key: Fallback) -> Finding:
    network, address, row = key
    if row == OWN:
        who = "This listener itself"
    elif row == DEVICE:
        who = "A device"
    else:
        who = ctx.say_source(row)
    return Finding(
        group=f"address:{ctx.network_name(network)}:{address}",
        since_ns=0,
        sources=(row,) if row >= 0 else (),
        networks=(network,),
        facts=FallbackAddressFacts(who, address),
        evidence=(f"{address} lies in 169.254/16: no server gives such addresses (RFC 3927).",),
    )


def bind(setup: RuleSetup, p: FallbackAddressParameters) -> tuple[RuleBinding, ...]:
    find = partial(fallback_addresses, p=p)
    return (RuleBinding(KEYS, find, describe_fallback, EVERY_SECOND_NS, refresh_s=None),)


RULE = Rule(
    name="fallback-address",
    rule_class=RuleClass.SELF,
    severity=Severity.NOTE,
    short=ShortWords("{source} on fallback address", "{n} on fallback addresses", look="Look at its network settings"),
    sentence="{who} has the fallback address {address}, which devices take when no DHCP server answers.",
    judged_by=judged_by(FallbackAddressParameters(), bind),
    facts=FallbackAddressFacts,
    names_universes=False,
    source="RFC 3927",
    faults=("F15", "F35"),
    may_exceed_note=False,
    next_checks=("Look at the address plan. Check whether the DHCP server was running when this device started.",),
)
