"""A route of this computer cannot send, although the house file says so and its input may be there."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.own_routes import SENDING
from slotwatch.judge.rule import Facts, Rule, RuleClass, RuleParameters, ShortWords, judged_by, number
from slotwatch.snapshot import Severity
from slotwatch.wire.observation import RouteSeen

_PROCESS = ""
"""Key of what all routes share. No route has an empty name."""


@dataclass(frozen=True, slots=True)
class RouteOutputLostParameters(RuleParameters):
    on_delay_s: float = number(0.5, "time that it cannot send before it is raised")
    off_delay_s: float = number(3.0, "time that it sends again before it is over")
    silence_s: float = number(1.0, "time without a report of the process that sends; it reports ten times a second")


@dataclass(frozen=True, slots=True)
class RouteOutputLostFacts(Facts):
    what: str
    reason: str


def unsent_routes(ctx: RuleContext, p: RouteOutputLostParameters) -> dict[str, None]:
    routes = ctx.listener.routes
    found: dict[str, None] = {route.name: None for route in routes.routes if route.trouble}
    found |= dict.fromkeys(_unanswered(ctx))
    if routes.interrupted(ctx.now_ns, ns_from_s(p.silence_s)):
        found[_PROCESS] = None
    return found


def _unanswered(ctx: RuleContext) -> list[str]:
    """Routes that send to one address of this network which the kernel asks for in vain (ARP, NDP).

    A declared receiver has a rule of its own. A route that does not send now asks nobody, so its address says nothing.
    """
    sending = {route.name for route in ctx.listener.routes.routes if route.state in SENDING}
    receivers = {receiver.address for receiver in ctx.house.receivers}
    found = []
    for route in ctx.house.routes:
        if route.name in sending and route.to_address and route.to_address not in receivers:
            neighbour = ctx.listener.neighbour(route.to_network or 0, route.to_address)
            if neighbour is not None and neighbour.failed_ns > neighbour.answered_ns:
                found.append(route.name)
    return found


def describe_unsent(ctx: RuleContext, name: str, p: RouteOutputLostParameters) -> Finding:
    routes = ctx.listener.routes
    if name == _PROCESS:
        since = routes.interrupted(ctx.now_ns, ns_from_s(p.silence_s))
        verb = "sends" if len(since) == 1 else "send"
        names = wording.list_names(f'"{one}"' for one in since)
        last = ctx.time_of_day(min(since.values()))
        again = f" It was started again at {ctx.time_of_day(routes.restarted_ns)}." if routes.restarted_ns else ""
        return Finding(
            group="routes",
            since_ns=min(since.values()),
            facts=RouteOutputLostFacts(
                f"{'Route' if len(since) == 1 else 'Routes'} {names} {verb} nothing since {last}",
                f"the process that sends {'it' if len(since) == 1 else 'them'} ended by itself or does not answer",
            ),
            evidence=(f"Its last report came at {last}; then these routes were sending.{again}",),
            cause="process",
        )
    route = next(one for one in routes.routes if one.name == name)
    if not route.trouble:
        return _describe_unanswered(ctx, route)
    return Finding(
        group=f"route:{name}",
        since_ns=0,
        facts=RouteOutputLostFacts(f'Route "{name}" sends nothing to {route.target}', route.trouble),
        evidence=(f"{route.trouble}.",),
        cause="port",
        next_checks=(
            f"Look at what hangs on {route.target}: most racks and fixtures hold their last levels for a while.",
            "Check whether the adapter is plugged in. Before it is plugged in again: lights may move or come on, so "
            "the rig must be clear.",
        ),
    )


def _describe_unanswered(ctx: RuleContext, route: RouteSeen) -> Finding:
    declared = next(one for one in ctx.house.routes if one.name == route.name)
    address = str(declared.to_address)
    neighbour = ctx.listener.neighbour(declared.to_network or 0, address)
    assert neighbour is not None
    last_ns = neighbour.answered_ns
    answered = f"It last answered at {ctx.time_of_day(last_ns)}" if last_ns else "It never answered"
    return Finding(
        group=f"route:{route.name}",
        since_ns=neighbour.failed_ns,
        facts=RouteOutputLostFacts(
            f'Route "{route.name}" reaches no device',
            f"nothing answers at {address} ({ctx.network_name(declared.to_network or 0)})",
        ),
        evidence=(f"{answered}; this computer asks for {address} each time that it sends, by ARP or NDP.",),
        cause="no-device",
        next_checks=(
            f"Look at the device that should have {address}: power, link lamp, and the address in its own menu.",
            f"Look at what hangs on {route.target}: most racks and fixtures hold their last levels for a while.",
        ),
    )


def bind(setup: RuleSetup, p: RouteOutputLostParameters) -> tuple[RuleBinding, ...]:
    if not setup.house.routes:
        return ()
    return (RuleBinding(KEYS, partial(unsent_routes, p=p), partial(describe_unsent, p=p), TICK_NS),)


RULE = Rule(
    name="route-output-lost",
    rule_class=RuleClass.CONTROL,
    severity=Severity.CRITICAL,
    short=ShortWords("route sends nothing", "{n} routes send nothing", look="Look at the routes page"),
    sentence="{what}: {reason}.",
    judged_by=judged_by(RouteOutputLostParameters(), bind),
    facts=RouteOutputLostFacts,
    names_universes=False,
    faults=("F102",),
    next_checks=(
        "Look at what hangs on these outputs: most racks and fixtures hold their last levels for a while.",
        "Read the service's log: it says how the process ended.",
    ),
)
