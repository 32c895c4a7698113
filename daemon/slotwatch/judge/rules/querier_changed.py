"""The multicast querier of a network changed, according to its queries or a switch."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.querier_changes import heard_changes, named_changes
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity

Change = tuple[int | str, str, str]
"""Network or name of the switch that reports it, querier before and after."""


@dataclass(frozen=True, slots=True)
class QuerierChangedParameters(RuleParameters):
    shown_s: float = number(60.0, "time after the change for which it is shown")
    duel_s: float = number(300.0, "time in which two queriers count as a duel", "RFC 2236 8.5")


@dataclass(frozen=True, slots=True)
class QuerierChangedFacts(Facts):
    place: str
    before: str
    after: str
    duel: str


def may_be_any(ctx: RuleContext) -> bool:
    """Whether queries showed a change, or switches may report one."""
    return bool(ctx.listener.queriers.change or ctx.house.switches)


def changed_queriers(ctx: RuleContext, p: QuerierChangedParameters) -> dict[Change, None]:
    """Recent changes: those that queries showed here, and those that only switches report."""
    shown_ns = ns_from_s(p.shown_s)
    changes = (*heard_changes(ctx), *named_changes(ctx))
    return {(one.where, one.before, one.after): None for one in changes if ctx.now_ns - one.to_ns < shown_ns}


def describe_changed_querier(ctx: RuleContext, key: Change, p: QuerierChangedParameters) -> Finding:
    where, before, after = key
    if isinstance(where, str):
        return _describe_named(ctx, where, before, after)
    known = ctx.listener.queriers.by_network.get(where, {})
    recent = [one.address for one in known.values() if ctx.now_ns - one.last_ns < ns_from_s(p.duel_s)]
    duels = ctx.listener.queriers.changes.get(where, 0) >= 2 and len(recent) > 1
    return Finding(
        group=f"network:{ctx.network_name(where)}",
        since_ns=ctx.listener.queriers.change[where][0],
        networks=(where,),
        facts=QuerierChangedFacts(
            f"Network {ctx.network_name(where)}", before, after, ", and both are heard in turn" if duels else ""
        ),
        evidence=(f"Queries came from {wording.list_names(sorted({before, after, *recent}))}.",),
        cause="duel" if duels else "changed",
        weight=float(duels),
    )


def _describe_named(ctx: RuleContext, switch: str, before: str, after: str) -> Finding:
    """Describe what a switch reports. Its network is not known: a switch may have several."""
    record = ctx.listener.switches.get(switch)
    moved = record.querier_moved if record else None
    last = f" It last named {before} at {ctx.time_of_day(moved.from_ns)}." if moved else ""
    return Finding(
        group=f"switch:{switch}",
        since_ns=moved.to_ns if moved else ctx.now_ns,
        facts=QuerierChangedFacts(f"Switch {switch}", before, after, ""),
        evidence=(f"Switch {switch} names {after} as the querier (IGMP-STD-MIB).{last}",),
        cause="changed",
    )


def bind(setup: RuleSetup, p: QuerierChangedParameters) -> tuple[RuleBinding, ...]:
    find, describe = partial(changed_queriers, p=p), partial(describe_changed_querier, p=p)
    return (RuleBinding(KEYS, find, describe, EVERY_SECOND_NS, may_be_any, refresh_s=None),)


RULE = Rule(
    name="querier-changed",
    rule_class=RuleClass.SELF,
    severity=Severity.NOTE,
    short=ShortWords("multicast querier changed", "multicast querier changed", look="Look at the switch's settings"),
    sentence="{place}: the multicast querier changed from {before} to {after}{duel}.",
    judged_by=judged_by(QuerierChangedParameters(), bind),
    facts=QuerierChangedFacts,
    names_universes=False,
    tells_a_moment=True,
    source="RFC 2236 3 (the lowest address wins), RFC 2933 (igmpInterfaceQuerier)",
    faults=("F17",),
    may_exceed_note=False,
    next_checks=("Find out which router, switch or access point was added. Only one device should be the querier.",),
)
