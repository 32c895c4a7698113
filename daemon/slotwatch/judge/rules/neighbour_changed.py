"""This listener's lead is in another switch port than at the last show."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.ports import say_port_of
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.ways import last_show
from slotwatch.snapshot import Severity


@dataclass(frozen=True, slots=True)
class NeighbourChangedParameters(RuleParameters):
    shown_s: float = number(86_400.0, "time for which it is shown, unless another show begins earlier")
    on_delay_s: float = number(5.0, "time only other devices than at the last show announce themselves")


@dataclass(frozen=True, slots=True)
class NeighbourChangedFacts(Facts):
    network: str
    now: str
    before: str


class ChangedNeighbours:
    """Networks whose lead ends at another port than at the last show."""

    def __init__(self, p: NeighbourChangedParameters) -> None:
        self._shown_ns = ns_from_s(p.shown_s)
        self._since_ns: dict[int, int] = {}

    def find(self, ctx: RuleContext) -> dict[int, None]:
        found: dict[int, None] = {}
        for network in ctx.listener.ports.networks():
            now = {(one.chassis, one.port) for one in ctx.listener.ports.now(network, ctx.now_ns)}
            before = ctx.listener.last_show.leads(ctx.network_name(network)).keys()
            if not now or not before or now & before:
                self._since_ns.pop(network, None)
            elif ctx.now_ns - self._since_ns.setdefault(network, ctx.now_ns) < self._shown_ns:
                found[network] = None
        last_show(ctx)  # keeps what this pass sees, also where nothing is compared
        return found

    def may_change(self, ctx: RuleContext) -> bool:
        """Whether anybody announces itself, or did at the last show, or switches are followed."""
        ports = ctx.listener.ports.networks()
        return bool(self._since_ns or ports or ctx.house.switches)

    def describe(self, ctx: RuleContext, network: int) -> Finding:
        name = ctx.network_name(network)
        seen = ctx.listener.ports.now(network, ctx.now_ns)
        return Finding(
            group=f"network:{ctx.network_name(network)}",
            since_ns=self._since_ns.get(network, ctx.now_ns),
            networks=(network,),
            facts=NeighbourChangedFacts(
                name,
                wording.list_names([say_port_of(one) for one in seen]) or "another port",
                wording.list_names(list(ctx.listener.last_show.leads(name).values())),
            ),
            evidence=("The switches announce this by LLDP.",),
            cause="moved",
        )


def bind(setup: RuleSetup, p: NeighbourChangedParameters) -> tuple[RuleBinding, ...]:
    ports = ChangedNeighbours(p)
    return (
        RuleBinding(
            KEYS,
            ports.find,
            ports.describe,
            EVERY_SECOND_NS,
            remembers=ports.may_change,
            knows_what_it_will_keep=True,
        ),
    )


RULE = Rule(
    name="neighbour-changed",
    rule_class=RuleClass.SELF,
    severity=Severity.NOTE,
    sentence="Network {network}: this listener is on {now}. At the last show it was on {before}.",
    short=ShortWords("listener on another port", "listener on other ports"),
    judged_by=judged_by(NeighbourChangedParameters(), bind),
    facts=NeighbourChangedFacts,
    names_universes=False,
    may_exceed_note=False,
    source="IEEE 802.1AB 8.5 (chassis and port)",
    faults=("F24",),
    next_checks=("Check whether somebody moved this computer's lead, or renamed or replaced the switch.",),
    next_checks_quiet=(f"{CLEAR_FIRST} Put the lead back, if the new port is not the show's.",),
)
