"""A route of this computer cannot send, although the house file says so and its input may be there."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.durations import ns_from_s
from slotwatch.house.schema import Route
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.own_routes import SENDING, unanswered
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import UniverseId

Output = tuple[str, str, int]
"""What the routes of one finding share: PORT and their target, ADDRESS with that and its network, or PROCESS and
nothing. Two networks may use the same address for two devices."""
PORT, ADDRESS, PROCESS = "port", "address", "process"
_LOOK = "Look at what is connected {}: most racks and fixtures hold their last levels for a while."


@dataclass(frozen=True, slots=True)
class RouteOutputLostParameters(RuleParameters):
    on_delay_s: float = number(0.5, "time that it cannot send before the incident opens")
    off_delay_s: float = number(3.0, "time that it sends again before the incident closes")
    silence_s: float = number(1.0, "time without a report of the process that sends; it reports ten times a second")


@dataclass(frozen=True, slots=True)
class RouteOutputLostFacts(Facts):
    what: str
    reason: str


def unsent_routes(ctx: RuleContext, p: RouteOutputLostParameters) -> dict[Output, None]:
    routes = ctx.listener.routes
    found: dict[Output, None] = {(PORT, route.target, 0): None for route in routes.routes if route.trouble}
    found |= {(ADDRESS, address, route.to_network or 0): None for address, route in _unanswered(ctx)}
    if routes.interrupted(ctx.now_ns, ns_from_s(p.silence_s)):
        found[PROCESS, "", 0] = None
    return found


def _unanswered(ctx: RuleContext) -> list[tuple[str, Route]]:
    return unanswered(ctx.house, ctx.listener.routes, ctx.listener.neighbours)


def _still_sending(ctx: RuleContext, lost: Collection[str]) -> tuple[str, ...]:
    going = [route.name for route in ctx.listener.routes.routes if route.state in SENDING and not route.trouble]
    unreached = {route.name for _, route in _unanswered(ctx)}
    going = [name for name in going if name not in lost and name not in unreached]
    return (_say(going, "still sends.", "still send."),) if going else ()


def describe_unsent(ctx: RuleContext, key: Output, p: RouteOutputLostParameters) -> Finding:
    kind, output, network = key
    if kind == PROCESS:
        return _describe_ended(ctx, p)
    if kind == ADDRESS:
        return _describe_unanswered(ctx, output, network)
    at_output = [route for route in ctx.listener.routes.routes if route.target == output and route.trouble]
    named, trouble = [route.name for route in at_output], at_output[0].trouble
    return Finding(
        group=f"output:{output}",
        since_ns=0,
        facts=RouteOutputLostFacts(_say(named, f"sends nothing to {output}", f"send nothing to {output}"), trouble),
        evidence=_say_inputs(ctx, named),
        cause="port",
        still_working=_still_sending(ctx, named),
        next_checks=(
            _LOOK.format("to this adapter"),
            "Check whether the adapter is plugged in. Before it is plugged in again: lights may move or come on, so "
            "the rig must be clear.",
        ),
    )


def _say_inputs(ctx: RuleContext, names: Collection[str]) -> tuple[str, ...]:
    """Say of the inputs of these routes whether they arrive."""
    table = ctx.universes
    inputs = {(route.source, route.source_network or 0) for route in ctx.house.routes if route.name in names}
    heard = {(ctx.universe_id(row), int(table.network[row])) for row in np.flatnonzero(table.live > 0).tolist()}
    arrive, missing = _say_universes(ctx, inputs & heard), _say_universes(ctx, inputs - heard)
    if inputs <= heard:
        return (f"The input arrives ({arrive}): the output alone is at fault.",)
    if not inputs & heard:
        return (f"The input does not arrive either ({missing}).",)
    arrives = "arrives" if len(inputs & heard) == 1 else "arrive"
    return (
        f"Of the inputs, {arrive} {arrives} and {missing} {'does' if len(inputs - heard) == 1 else 'do'} not. "
        "The output itself is at fault.",
    )


def _say_universes(ctx: RuleContext, universes: Collection[tuple[UniverseId, int]]) -> str:
    is_one = len(ctx.house.networks) < 2
    return wording.list_names(
        str(universe) if is_one else f"{universe}@{ctx.network_name(network)}"
        for universe, network in sorted(universes)
    )


def _describe_ended(ctx: RuleContext, p: RouteOutputLostParameters) -> Finding:
    routes = ctx.listener.routes
    since = routes.interrupted(ctx.now_ns, ns_from_s(p.silence_s))
    last = ctx.time_of_day(min(since.values()))
    again = f" It restarted at {ctx.time_of_day(routes.restarted_ns)}." if routes.restarted_ns else ""
    return Finding(
        group="routes",
        since_ns=min(since.values()),
        facts=RouteOutputLostFacts(
            _say(since, f"has sent nothing since {last}", f"have sent nothing since {last}"),
            f"the process that sends {'it' if len(since) == 1 else 'them'} ended by itself or does not answer",
        ),
        evidence=(f"Its last report came at {last}; then these routes were sending.{again}",),
        cause="process",
        still_working=_still_sending(ctx, since),
    )


def _describe_unanswered(ctx: RuleContext, address: str, network: int) -> Finding:
    dead = [(one, route.to_network or 0, route) for one, route in _unanswered(ctx)]
    routes = [route for one, on, route in dead if (one, on) == (address, network)]
    neighbour = ctx.listener.neighbours.get(network, address)
    assert neighbour is not None
    last_ns = neighbour.answered_ns
    answered = f"It last answered at {ctx.time_of_day(last_ns)}" if last_ns else "It never answered"
    return Finding(
        group=f"output:{ctx.network_name(network)}:{address}",
        since_ns=neighbour.failed_ns,
        networks=(network,),
        facts=RouteOutputLostFacts(
            _say([route.name for route in routes], "reaches no device", "reach no device"),
            f"nothing answers at {address} on network {ctx.network_name(network)}",
        ),
        evidence=(f"{answered}; this computer asks for {address} each time that it sends, by ARP or NDP.",),
        cause="no-device",
        still_working=_still_sending(ctx, [route.name for route in routes]),
        next_checks=(
            f"Look at the device that should have {address}: power, link lamp, and the address in its own menu.",
            _LOOK.format("behind it"),
        ),
    )


def _say(names: Collection[str], one_does: str, all_do: str) -> str:
    every = wording.list_names(f'"{name}"' for name in names)
    return f"Route {every} {one_does}" if len(names) == 1 else f"Routes {every} {all_do}"


def bind(setup: RuleSetup, p: RouteOutputLostParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("routes"):
        return ()
    return (RuleBinding(KEYS, partial(unsent_routes, p=p), partial(describe_unsent, p=p), TICK_NS),)


RULE = Rule(
    name="route-output-lost",
    rule_class=RuleClass.CONTROL,
    severity=Severity.CRITICAL,
    short=ShortWords("route output lost", "{n} route outputs lost", look="Look at the routes page"),
    sentence="{what}: {reason}.",
    judged_by=judged_by(RouteOutputLostParameters(), bind),
    facts=RouteOutputLostFacts,
    names_universes=False,
    faults=("F102",),
    next_checks=(
        _LOOK.format("to these outputs"),
        "Read the service's log: it says how the process ended.",
    ),
)
