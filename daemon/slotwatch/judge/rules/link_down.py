"""This listener's own link is gone: nothing on that network is judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import NETWORK, Effect, Explains, Reach
from slotwatch.judge.legs import say_networks
from slotwatch.judge.listener import Link
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity
from slotwatch.wire.observation import LinkSeen


@dataclass(frozen=True, slots=True)
class LinkDownParameters(RuleParameters):
    off_delay_s: float = number(3.0, "time its link is up again before the incident closes")


@dataclass(frozen=True, slots=True)
class LinkDownFacts(Facts):
    networks: str
    """`network eth1`, and the interface where that is another word: `networks A (eth1) and B (eth2)`."""
    fault: str
    them: str
    extent: str


GONE: tuple[str, ...] = (
    "Look at this computer's network adapter: is it still plugged in, or was its interface renamed?",
)
UNPLUGGED: tuple[str, ...] = (
    "Look at this computer's own network lead and at both of its link lamps.",
    "Check whether the rack's switch has power.",
)
SHARED = "Look at what these links share: this computer's adapter, the switch behind them, its power."
NO_ADDRESS: tuple[str, ...] = (
    "Look at this interface's address setting: is it fixed, or does it wait for a DHCP server?",
)
THEN = {"interface": "was missing from this computer", "carrier": "had no carrier", "address": "had no address"}
"""What followed, by its cause."""


def is_any_down(ctx: RuleContext) -> bool:
    """Whether any link is down."""
    return ctx.listener.any_down


def networks_down(ctx: RuleContext) -> dict[int, None]:
    return dict.fromkeys(network for network, link in ctx.listener.links.items() if not link.up)


def describe_link(ctx: RuleContext, network: int) -> Finding:
    link = ctx.listener.links[network]
    down = ctx.listener.down_with(network)
    faults = dict.fromkeys(_fault_of(ctx.listener.links[one]) for one in down)
    fault, cause, checks = _fault_of(link)
    said, them = fault, "it"
    if len(down) > 1:
        said, them = fault.replace("has ", "have ", 1) if len(faults) == 1 else "have been down", "them"
        checks = (SHARED, *(check for _, _, its in faults for check in its))
    rows = np.flatnonzero(ctx.universes.used & (ctx.universes.network == network) & (ctx.universes.declared >= 0))
    return Finding(
        group=f"network:{ctx.network_name(link.fell_with)}",
        since_ns=link.since_ns,
        universes=tuple(rows.tolist()),
        networks=(network,),
        facts=LinkDownFacts(_names(ctx, down), said, them, _extent(ctx)),
        evidence=(
            f"The interface {link.seen.interface} {fault} since {ctx.time_of_day(link.since_ns)}.",
            *ctx.listener.ports.sentences(network),
        ),
        cause=cause,
        next_checks=checks,
        weight=len(down),
    )


def _fault_of(link: Link) -> tuple[str, str, tuple[str, ...]]:
    """What is wrong with an interface, its cause, and what to look at.

    An adapter that was out comes back without an address. It is said as it began: of the address alone nobody would
    think of the adapter.
    """
    fault, cause, checks = _fault_seen(link.turned_as)
    _, now, checks_now = _fault_seen(link.seen)
    if now == cause:
        return fault, cause, checks
    return f"{fault}, then {THEN[now]},", cause, (*checks_now, *checks)


def _fault_seen(seen: LinkSeen) -> tuple[str, str, tuple[str, ...]]:
    if not seen.present:
        return "has been missing from this computer", "interface", GONE
    if not seen.up:
        return "has had no carrier", "carrier", UNPLUGGED
    return "has had no address", "address", NO_ADDRESS


def _names(ctx: RuleContext, networks: list[int]) -> str:
    each = []
    for network in networks:
        name, interface = ctx.network_name(network), ctx.listener.links[network].seen.interface
        each.append(name if name == interface else f"{name} ({interface})")
    return f"network{'s' if len(each) > 1 else ''} {wording.list_names(each)}"


def _extent(ctx: RuleContext) -> str:
    """What is still judged."""
    others = [network for network, link in ctx.listener.links.items() if link.up]
    if not others:
        return "no fault is raised against the show"
    return f"{say_networks(ctx, others)} {'are' if len(others) > 1 else 'is'} judged as before"


def bind(setup: RuleSetup, p: LinkDownParameters) -> tuple[RuleBinding, ...]:
    return (RuleBinding(KEYS, networks_down, describe_link, TICK_NS, is_any_down),)


RULE = Rule(
    name="link-down",
    rule_class=RuleClass.SELF,
    severity=Severity.CRITICAL,
    short=ShortWords("listener unplugged", "listener unplugged", look="Look at this computer's lead"),
    sentence="This listener's own {networks} {fault} since {since}: nothing on {them} is judged, and {extent}.",
    judged_by=judged_by(LinkDownParameters(), bind),
    facts=LinkDownFacts,
    explains=Explains(
        10,
        Reach(
            NETWORK,
            effects=frozenset({Effect.STREAM_TROUBLE, Effect.SILENCE}),
            rules=frozenset({"fallback-address", "identity-changed", "join-failed", "querier-absent"}),
        ),
        begins_at_a_moment=True,
    ),
    quiet_in_dark=True,
    faults=("F04", "F103"),
    next_checks=("Run `slotwatch host` on this computer: it names what is wrong with an interface.",),
)
