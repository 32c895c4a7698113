"""This listener's own link is gone: nothing on that network is judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import NETWORK, Effect, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class LinkDownParameters(RuleParameters):
    off_delay_s: float = number(3.0, "time its link is up again before the incident closes")


@dataclass(frozen=True, slots=True)
class LinkDownFacts(Facts):
    network: str
    """Its name, and its interface where that is another word."""
    fault: str
    extent: str


GONE: tuple[str, ...] = (
    "Look at this computer's network adapter: is it still plugged in, or was its interface renamed?",
)
UNPLUGGED: tuple[str, ...] = (
    "Look at this computer's own network lead and at both of its link lamps.",
    "Check whether the rack's switch has power.",
)
NO_ADDRESS: tuple[str, ...] = (
    "Look at this interface's address setting: is it fixed, or does it wait for a DHCP server?",
)


def is_any_down(ctx: RuleContext) -> bool:
    """Whether any link is down."""
    return ctx.listener.any_down


def networks_down(ctx: RuleContext) -> dict[int, None]:
    return dict.fromkeys(network for network, link in ctx.listener.links.items() if not link.up)


def describe_link(ctx: RuleContext, network: int) -> Finding:
    link = ctx.listener.links[network]
    seen = link.seen
    if not seen.present:
        fault, cause, checks = "has been missing from this computer", "interface", GONE
    elif not seen.up:
        fault, cause, checks = "has had no carrier", "carrier", UNPLUGGED
    else:
        fault, cause, checks = "has had no address", "address", NO_ADDRESS
    name = ctx.network_name(network)
    rows = np.flatnonzero(ctx.universes.used & (ctx.universes.network == network) & (ctx.universes.declared >= 0))
    return Finding(
        group=f"network:{network}",
        since_ns=link.since_ns,
        universes=tuple(rows.tolist()),
        networks=(network,),
        facts=LinkDownFacts(name if name == seen.interface else f"{name} ({seen.interface})", fault, _extent(ctx)),
        evidence=(
            f"The interface {seen.interface} {fault} since {ctx.time_of_day(link.since_ns)}.",
            *ctx.listener.ports.sentences(network),
        ),
        cause=cause,
        next_checks=checks,
    )


def _extent(ctx: RuleContext) -> str:
    """What is still judged."""
    others = [ctx.network_name(network) for network, link in ctx.listener.links.items() if link.up]
    if not others:
        return "no fault is raised against the show"
    networks = f"network{'s' if len(others) > 1 else ''} {wording.list_names(others)}"
    return f"{networks} {'are' if len(others) > 1 else 'is'} judged as before"


def bind(setup: RuleSetup, p: LinkDownParameters) -> tuple[RuleBinding, ...]:
    return (RuleBinding(KEYS, networks_down, describe_link, TICK_NS, is_any_down),)


RULE = Rule(
    name="link-down",
    rule_class=RuleClass.SELF,
    severity=Severity.CRITICAL,
    short=ShortWords("listener unplugged", "listener unplugged", look="Look at this computer's lead"),
    sentence="This listener's own network {network} {fault} since {since}: nothing on it is judged, and {extent}.",
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
