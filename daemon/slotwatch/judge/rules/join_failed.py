"""A universe's multicast group could not be joined, so that it is not heard."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import Protocol

Group = tuple[int, int]
"""Network and universe number."""


@dataclass(frozen=True, slots=True)
class JoinFailedParameters(RuleParameters):
    off_delay_s: float = number(0.0, "time that it is joined before the incident closes")


@dataclass(frozen=True, slots=True)
class JoinFailedFacts(Facts):
    network: str
    reason: str


def has_any_failed(ctx: RuleContext) -> bool:
    """Whether any join failed that was not made good."""
    return bool(ctx.listener.failed_joins)


def failed_joins(ctx: RuleContext) -> dict[Group, None]:
    return dict(ctx.listener.failed_joins)


def describe_join(ctx: RuleContext, key: Group) -> Finding:
    network, number = key
    join = ctx.listener.joins[network, number]
    universes = ctx.universes
    here = universes.used & (universes.network == network) & (universes.protocol == int(Protocol.E131))
    rows = np.flatnonzero(here & (universes.number == number))
    reason = join.reason.rstrip(".")
    return Finding(
        group=f"network:{ctx.network_name(network)}",
        since_ns=join.t_ns,
        universes=tuple(rows.tolist()),
        networks=(network,),
        facts=JoinFailedFacts(ctx.network_name(network), f"{reason or 'no reason given'}."),
        evidence=(f"e131/{number} on network {ctx.network_name(network)}: {reason or 'refused'}.",),
    )


def bind(setup: RuleSetup, p: JoinFailedParameters) -> tuple[RuleBinding, ...]:
    return (RuleBinding(KEYS, failed_joins, describe_join, subject=has_any_failed),)


RULE = Rule(
    name="join-failed",
    rule_class=RuleClass.SELF,
    severity=Severity.CRITICAL,
    short=ShortWords("group not joined", "{n} groups not joined", look="Look at this listener's page"),
    sentence="The multicast group of {universes} could not be joined on network {network}: {reason}",
    judged_by=judged_by(JoinFailedParameters(), bind),
    facts=JoinFailedFacts,
    explains=Explains(
        40,
        Reach(UNIVERSE, effects=frozenset({Effect.SILENCE})),
    ),
    quiet_in_dark=True,
    faults=("F102", "F103"),
    next_checks=(
        "Run `slotwatch host`: it names what limits joins on this computer.",
        "Check whether the interface has an address.",
    ),
)
