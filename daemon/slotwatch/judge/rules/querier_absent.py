"""The multicast querier of a network is silent, or none was ever heard."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from slotwatch.durations import NANOSECONDS, ns_from_s
from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.legs import say_networks
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.queriers import IGMP, Querier
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.universe import Protocol

TOGETHER_S = 125.0
"""Query interval (RFC 2236 8.2): last queries of queriers that end as one lie no further apart."""
Silent = tuple[int, str, bool]
"""Network, `Querier.family`, and whether a querier was ever heard."""


@dataclass(frozen=True, slots=True)
class QuerierAbsentParameters(RuleParameters):
    off_delay_s: float = number(0.0, "time that a querier is heard before the incident closes")
    silence_s: float = number(260.0, "silence of a querier that was heard", "RFC 2236 8.4, 8.5; RFC 3376 8.4")
    never_s: float = number(260.0, "time without ever hearing one", "RFC 2236 8.5; RFC 9776 8.5")


@dataclass(frozen=True, slots=True)
class QuerierAbsentFacts(Facts):
    networks: str
    habit: str


def may_have_queriers(ctx: RuleContext) -> bool:
    """Whether a querier was heard, or is waited for."""
    return bool(ctx.listener.queriers.by_network or ctx.listener.watched)


def silent_queriers(ctx: RuleContext, p: QuerierAbsentParameters) -> dict[Silent, None]:
    """Queriers that are silent for longer than memberships last."""
    return _silent_for(ctx, ns_from_s(p.silence_s), ns_from_s(p.never_s))


def is_querier_due(ctx: RuleContext, p: QuerierAbsentParameters) -> bool:
    """Whether a querier's time is over within the next second."""
    silence_ns, never_ns = ns_from_s(p.silence_s), ns_from_s(p.never_s)
    soon = _silent_for(ctx, silence_ns - NANOSECONDS, never_ns - NANOSECONDS)
    return len(soon) > len(_silent_for(ctx, silence_ns, never_ns))


def _silent_for(ctx: RuleContext, silence_ns: int, never_ns: int) -> dict[Silent, None]:
    listener = ctx.listener
    found: dict[Silent, None] = {}
    for network, known in listener.queriers.by_network.items():
        link = listener.links.get(network)
        up_ns = link.since_ns if link and link.was_down else 0
        for family in {querier.family for querier in known.values()}:
            last_ns = max(querier.last_ns for querier in known.values() if querier.family == family)
            if ctx.now_ns - max(last_ns, up_ns) > silence_ns and not listener.is_down(network):
                found[network, family, True] = None
    if not _uses_multicast(ctx.house):
        return found
    for network, watch in listener.watched.items():
        since_ns = listener.watched_since_ns.get(network, watch.t_ns)
        if watch.watched and network not in listener.queriers.by_network and ctx.now_ns - since_ns > never_ns:
            found[network, IGMP, False] = None
    return found


def _uses_multicast(house: House) -> bool:
    return any(universe.id.protocol is Protocol.E131 for universe in house.universes)


def describe_silent_querier(ctx: RuleContext, key: Silent, p: QuerierAbsentParameters) -> Finding:
    network, family, heard = key
    together = _fell_silent_together(ctx, key, p)
    where = wording.at_the_start(say_networks(ctx, sorted(together)))
    group = f"network:{ctx.network_name(together[0])}:{family}"
    word = "IGMP" if family == IGMP else "MLD"
    if not heard:
        return Finding(
            group=group,
            since_ns=_silent_since_ns(ctx, key),
            networks=(network,),
            facts=QuerierAbsentFacts(
                where,
                "no multicast querier was ever heard. If a switch here snoops, groups will expire about "
                f"{p.never_s:g} s after each receiver's last join; if none snoops, all is well.",
            ),
            evidence=(
                f"{word} queries are watched on network {ctx.network_name(network)}, "
                f"and none came in over {p.never_s:g} s.",
            ),
            lower=1,
            cause="never-heard",
            confidence=Confidence.MEDIUM,
        )
    querier = _last_querier(ctx, network, family)
    addresses = list(dict.fromkeys(_last_querier(ctx, one, family).address for one in sorted(together)))
    who = f"querier {addresses[0]} has" if len(addresses) == 1 else f"queriers {wording.list_names(addresses)} have"
    # Not for how long: a sentence that changes each second would be a new revision of the incident each second.
    newest_ns = max(_last_querier(ctx, one, family).last_ns for one in together)
    return Finding(
        group=group,
        since_ns=querier.last_ns,
        networks=(network,),
        facts=QuerierAbsentFacts(
            where,
            f"the multicast {who} been silent since {ctx.time_of_day(newest_ns)}. Where a switch snoops, "
            f"groups expire about {p.silence_s:g} s after its last query.",
        ),
        evidence=(
            f"Last {word} query from {querier.address} ({querier.version}) on network {ctx.network_name(network)} "
            f"at {ctx.time_of_day(querier.last_ns)}.",
        ),
        cause="silent",
        next_checks=(f"Check whether {querier.address}, which was the querier, has power.",),
    )


def _fell_silent_together(ctx: RuleContext, key: Silent, p: QuerierAbsentParameters) -> list[int]:
    """Networks whose queriers fell silent together, this one among them, the first to fall silent first.

    Queriers in one device or on one supply fall silent within a query interval of each other. Networks on which no
    querier was ever heard belong together too.
    """
    _, family, heard = key
    alike = [one for one in silent_queriers(ctx, p) if one[1:] == (family, heard)]
    alike = sorted({*alike, key}, key=lambda one: (_silent_since_ns(ctx, one), one[0]))
    found: list[Silent] = []
    for one in alike:
        is_near = not found or _silent_since_ns(ctx, one) - _silent_since_ns(ctx, found[-1]) <= ns_from_s(TOGETHER_S)
        if heard and not is_near:
            if key in found:
                break
            found = []
        found.append(one)
    return [one[0] for one in found]


def _silent_since_ns(ctx: RuleContext, key: Silent) -> int:
    network, family, heard = key
    if heard:
        return _last_querier(ctx, network, family).last_ns
    return ctx.listener.watched_since_ns.get(network, 0)


def _last_querier(ctx: RuleContext, network: int, family: str) -> Querier:
    known = [one for one in ctx.listener.queriers.by_network[network].values() if one.family == family]
    return max(known, key=lambda one: one.last_ns)


def bind(setup: RuleSetup, p: QuerierAbsentParameters) -> tuple[RuleBinding, ...]:
    find, describe = partial(silent_queriers, p=p), partial(describe_silent_querier, p=p)
    return (RuleBinding(KEYS, find, describe, subject=may_have_queriers, is_wary=partial(is_querier_due, p=p)),)


RULE = Rule(
    name="querier-absent",
    rule_class=RuleClass.SELF,
    severity=Severity.WARNING,
    short=ShortWords("no multicast querier", "no multicast querier", look="Look at the switch's settings"),
    sentence="{networks}: {habit}",
    found_after=("silence_s",),
    judged_by=judged_by(QuerierAbsentParameters(), bind),
    facts=QuerierAbsentFacts,
    quiet_in_dark=True,
    names_universes=False,
    measured=(
        Threshold(
            "together_s",
            TOGETHER_S,
            "longest time between the last queries of queriers that count as ended together",
            "RFC 2236 8.2",
        ),
    ),
    source="RFC 2236 8, RFC 3376 8, RFC 3810 9",
    faults=("F16", "F17", "F21"),
    next_checks=("Look at the switch's settings: is snooping on and a querier set for this VLAN?",),
    next_checks_quiet=(
        f"{CLEAR_FIRST} Give the show's switch a querier with the lowest address, or turn snooping off.",
    ),
)
