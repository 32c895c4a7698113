"""Several devices announce themselves at the other end of one lead: a hub or a small switch is between."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.ports import say_port_of
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class TwoNeighboursParameters(RuleParameters):
    # A lead that is moved to another switch and back makes two.
    turns: int = number(3, "changes from one device to another within twice the time that an announcement holds")
    off_delay_s: float = number(10.0, "time only one announces itself before the incident closes")


@dataclass(frozen=True, slots=True)
class TwoNeighboursFacts(Facts):
    network: str
    neighbours: str


def is_any_announced(ctx: RuleContext) -> bool:
    """Whether any device announced itself."""
    return bool(ctx.listener.ports.networks())


def crowded_networks(ctx: RuleContext, p: TwoNeighboursParameters) -> dict[int, None]:
    ports = ctx.listener.ports
    return {one: None for one in ports.networks() if ports.several(one, ctx.now_ns, p.turns)}


def describe_neighbours(ctx: RuleContext, network: int, p: TwoNeighboursParameters) -> Finding:
    seen = ctx.listener.ports.several(network, ctx.now_ns, p.turns) or ctx.listener.ports.now(network, ctx.now_ns)
    return Finding(
        group=f"network:{ctx.network_name(network)}",
        since_ns=min((one.t_ns for one in seen), default=ctx.now_ns),
        networks=(network,),
        facts=TwoNeighboursFacts(ctx.network_name(network), wording.list_names([say_port_of(one) for one in seen])),
        evidence=("A switch that speaks LLDP does not pass LLDP on (IEEE 802.1AB 7.1): a device in between does.",),
        cause="shared",
        also_possible=("two switches that act as one",),
    )


def bind(setup: RuleSetup, p: TwoNeighboursParameters) -> tuple[RuleBinding, ...]:
    find, describe = partial(crowded_networks, p=p), partial(describe_neighbours, p=p)
    return (RuleBinding(KEYS, find, describe, EVERY_SECOND_NS, is_any_announced),)


RULE = Rule(
    name="two-neighbours",
    rule_class=RuleClass.SELF,
    severity=Severity.NOTE,
    sentence="Network {network}: several devices announce themselves on this listener's lead: {neighbours}.",
    short=ShortWords("lead with two neighbours", "{n} leads with two neighbours"),
    judged_by=judged_by(TwoNeighboursParameters(), bind),
    facts=TwoNeighboursFacts,
    names_universes=False,
    may_exceed_note=False,
    source="IEEE 802.1AB 7.1 (the nearest bridge's group address is not forwarded)",
    faults=("F24",),
    next_checks=("Look for a hub or a small switch between this computer and the switch.",),
    next_checks_quiet=(f"{CLEAR_FIRST} Put this computer's lead into the switch itself.",),
)
