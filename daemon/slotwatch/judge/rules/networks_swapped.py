"""Two of the listener's networks are swapped: what belongs to one arrives on the other, and the reverse."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import NANOSECONDS, ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import NETWORK, Effect, Explains, Reach
from slotwatch.judge.homes import UNDER_WAY_NS, Displaced, Pair, displaced_sources, group_of, swapped_pairs
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import LOOK_AT_OWN_LEADS, Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Confidence, Severity

MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class NetworksSwappedParameters(RuleParameters):
    off_delay_s: float = number(3.0, "time its networks are right again before the incident closes")
    under_way_s: float = number(
        UNDER_WAY_NS / NANOSECONDS, "time after the change in which packets that were under way still arrive"
    )


@dataclass(frozen=True, slots=True)
class NetworksSwappedFacts(Facts):
    first: str
    second: str
    have: str
    when: str
    what: str


def are_several(ctx: RuleContext) -> bool:
    """Whether the house has several networks."""
    return len(ctx.house.networks) > 1


def swapped_networks(ctx: RuleContext, p: NetworksSwappedParameters) -> dict[Pair, None]:
    """Pairs of networks of which everything that arrives belongs to the other one, in both directions."""
    return dict.fromkeys(swapped_pairs(ctx, ns_from_s(p.under_way_s)))


def describe_swapped(ctx: RuleContext, pair: Pair) -> Finding:
    displaced = [one for one in displaced_sources(ctx) if {one.home, one.here} == set(pair)]
    first, second = (ctx.network_name(network) for network in pair)
    evidence = [_say_displaced(ctx, one) for one in displaced[:MOST_NAMED]]
    if len(displaced) > MOST_NAMED:
        more = len(displaced) - MOST_NAMED
        evidence.append(f"{wording.count(more, 'more lead')} {'shows' if more == 1 else 'show'} the same.")
    rows = [one.source for one in displaced]
    working = ctx.say_sources(rows)[:MOST_NAMED]
    if len(ctx.whole_sources(rows)) > MOST_NAMED:
        working.append(wording.count(len(ctx.whole_sources(rows)) - MOST_NAMED, "other source"))
    ways = sorted({(one.home, one.here) for one in displaced})
    one_way = len(ways) == 1
    home, here = (ctx.network_name(network) for network in (ways[0] if one_way else pair))
    reverse = f", and nothing arrives on network {home}" if one_way else " and the reverse"
    since_ns = min((one.since_ns for one in displaced), default=0)
    have, when, what = "have", "", f"what belongs to network {home} arrives on network {here}{reverse}"
    if any(one.by_memory for one in displaced):
        if not any(one.left_since for one in displaced) and not _were_swapped_before(ctx):
            when = ", or since an earlier moment in which it did not listen"
    elif _were_swapped_before(ctx) and not any(one.by_declaration for one in displaced):
        # What this judgement heard first was swapped already: a move then puts the leads right.
        have, when = "had", " when this listener restarted"
        changed = f"they changed places at {ctx.time_of_day(since_ns)}"
        what = f"{changed}, so they are right again unless somebody changed them in between"
    return Finding(
        group=group_of(ctx, pair),
        since_ns=since_ns,
        networks=pair,
        facts=NetworksSwappedFacts(first, second, have, when, what),
        evidence=tuple(evidence),
        still_working=(f"{wording.list_names(working)} {'sends' if len(working) == 1 else 'send'}",) if working else (),
        confidence=Confidence.MEDIUM if one_way else Confidence.HIGH,
        also_possible=(
            *((f"the uplink of these sources was moved to network {here}",) if one_way else ()),
            "the VLANs of its two switch ports were exchanged",
            "two uplinks were exchanged",
        ),
    )


def _say_displaced(ctx: RuleContext, one: Displaced) -> str:
    how = "belongs to" if one.by_declaration else "was heard on"
    before = " before this listener restarted" if one.by_memory and not one.left_since else ""
    home, here = ctx.network_name(one.home), ctx.network_name(one.here)
    return f"{ctx.say_source(one.source)} {how} network {home}{before} and arrives on network {here}."


def _were_swapped_before(ctx: RuleContext) -> bool:
    """Whether two networks were swapped when this listener restarted."""
    known = ctx.before.by_rule.get("networks-swapped", ())
    return any(one.incident.returned_ns is None for one in known)


def bind(setup: RuleSetup, p: NetworksSwappedParameters) -> tuple[RuleBinding, ...]:
    return (RuleBinding(KEYS, partial(swapped_networks, p=p), describe_swapped, TICK_NS, are_several),)


RULE = Rule(
    name="networks-swapped",
    rule_class=RuleClass.SELF,
    severity=Severity.WARNING,
    short=ShortWords("networks swapped", "{n} networks swapped", look="Look at this listener's leads"),
    sentence="This listener's networks {first} and {second} {have} been swapped since {since}{when}: {what}. "
    "The sources send as before; meanwhile faults are not judged by network.",
    judged_by=judged_by(NetworksSwappedParameters(), bind),
    facts=NetworksSwappedFacts,
    explains=Explains(
        20,
        Reach(
            NETWORK,
            effects=frozenset({Effect.STREAM_TROUBLE, Effect.SILENCE, Effect.RIVALRY}),
            rules=frozenset(
                {
                    "duplicate-address",
                    "duplicate-identity",
                    "fallback-address",
                    "flooded-groups",
                    "identity-changed",
                    "querier-absent",
                    "querier-changed",
                    "undeclared-universe",
                    "wrong-group",
                }
            ),
        ),
        begins_at_a_moment=True,
    ),
    faults=("F31", "F103"),
    next_checks=LOOK_AT_OWN_LEADS,
)
