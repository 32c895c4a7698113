"""A route met its own output on its input and has stopped itself."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class RouteLoopFacts(Facts):
    route: str
    universes: str


def has_routes(ctx: RuleContext) -> bool:
    """Whether any route is known."""
    return bool(ctx.listener.routes.routes)


def looped_routes(ctx: RuleContext) -> dict[str, None]:
    return {route.name: None for route in ctx.listener.routes.routes if route.state == "loop"}


def describe_loop(ctx: RuleContext, name: str) -> Finding:
    route = next(route for route in ctx.listener.routes.routes if route.name == name)
    target, source = route.target, route.source
    return Finding(
        group=f"route:{name}",
        since_ns=0,
        facts=RouteLoopFacts(name, f"{source} and {target}"),
        evidence=(f"What the route sent to {target} came back on {source}; the route has stopped itself.",),
        next_checks=(f"Find out which gateway or program brings {target} back onto {source}.",),
    )


def bind(setup: RuleSetup, p: RuleParameters) -> tuple[RuleBinding, ...]:
    return (RuleBinding(KEYS, looped_routes, describe_loop, subject=has_routes),)


RULE = Rule(
    name="route-loop",
    rule_class=RuleClass.CONTROL,
    severity=Severity.CRITICAL,
    short=ShortWords("route loops", "{n} routes loop", look="Look at the routes page"),
    sentence='Route "{route}" would feed, or is fed by, its own output on {universes}; it is stopped.',
    judged_by=judged_by(RuleParameters(), bind),
    facts=RouteLoopFacts,
    faults=("F47",),
    next_checks=("Look at the routes of the house file: no output may be another route's input.",),
)
