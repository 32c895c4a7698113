"""Cases into clusters: what is one fault with one cause becomes one cluster, and so one incident."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from slotwatch.durations import NANOSECONDS, NEVER_NS
from slotwatch.judge.aftermath import bring_up_to_date
from slotwatch.judge.causes import find_cause, follow_settled, left_behind, say_what_works_now
from slotwatch.judge.cluster import Cluster, names_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.exceptions import AcceptedCase, standing
from slotwatch.judge.explained import explain_by_earlier, explain_cases, is_settled, let_go, stay_explained
from slotwatch.judge.incidents import IncidentBook
from slotwatch.judge.last_assembly import LastAssembly
from slotwatch.judge.loss_group import LossGroup
from slotwatch.judge.losses import LOSS_RULES, Losses
from slotwatch.judge.raised import Raised
from slotwatch.judge.scene import lead_of
from slotwatch.judge.shared_path import Companions, find_shared_cause, say_several_did
from slotwatch.judge.stops import Stops, measure_stops
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import Confidence

ACCEPTED = " accepted"
"""Ends the name of a group of accepted cases: they are an incident of their own, apart from those that are not
accepted."""
MOST_CLUSTERS = 12
"""Clusters of one rule. Beyond this they become one incident, so that a flood of forged senders does not become a
flood of incidents."""
FEW_CLUSTERS = 8
"""Clusters of one rule from which they are separate incidents again. Between the two bounds nothing changes."""


class Clusterer:
    """Groups the raised cases of each pass, and remembers which losses belong together and their verdicts."""

    def __init__(self, last: LastAssembly) -> None:
        self.losses = Losses()
        self._last = last
        self._companions = Companions()
        self._verdicts: dict[int, tuple[frozenset[tuple[str, object]], Verdict]] = {}
        self._crowded: set[tuple[str, bool]] = set()
        self._stops: Stops | None = None
        self._stops_of: int | None = None
        """Facts that they were measured by."""
        self.is_letting_go = False
        """Whether a cause that just ended still explains other cases for a moment."""

    @property
    def is_revising(self) -> bool:
        """Whether a cause may still change while evidence comes in, or what it explains while it ends."""
        return self.is_letting_go or any(verdict.provisional for _, verdict in self._verdicts.values())

    @property
    def settles_ns(self) -> int:
        """When the first cause becomes final by itself, if nothing but time changes."""
        return min((one.settles_ns for _, one in self._verdicts.values() if one.provisional), default=NEVER_NS)

    @property
    def final_ns(self) -> int:
        """When all causes are final by themselves, if nothing but time changes."""
        if self.is_letting_go:
            return NEVER_NS
        return max((one.settles_ns for _, one in self._verdicts.values() if one.provisional), default=0)

    def settle(self, now_ns: int) -> None:
        """Make final what another weighing would make final, where nothing but time has changed."""
        for _, verdict in self._verdicts.values():
            verdict.settle(now_ns)

    def cluster(self, ctx: RuleContext, cases: Sequence[Raised], at: datetime, book: IncidentBook) -> list[Cluster]:
        """Make this pass's clusters, each case in at most one: as its own or as explained."""
        settled = [case for case in cases if is_settled(ctx, case, book)]
        apart = set(map(id, settled))
        clusters = self._by_group(ctx, [case for case in cases if id(case) not in apart], at)
        clusters = _share_paths(ctx, clusters, self._companions)
        self.is_letting_go = let_go(ctx, clusters, book) | any(case.holds for case in settled)
        clusters = explain_cases(ctx, clusters, book)
        explain_by_earlier(ctx, clusters, book.waiting)
        stay_explained(clusters, book)
        found = [cluster for cluster in clusters if cluster.cases]
        self._crowded = _crowded(found, self._crowded)
        return _bounded(found, self._crowded)

    def _by_group(self, ctx: RuleContext, cases: Sequence[Raised], at: datetime) -> list[Cluster]:
        clusters: dict[tuple[str, str], Cluster] = {}
        losses = [case for case in cases if case.rule.name in LOSS_RULES]
        if losses or self.losses.groups:
            self._cluster_losses(ctx, losses, clusters, at)
        may_accept = _may_accept(ctx)
        for case in cases:
            if case.rule.name in LOSS_RULES:
                continue
            accepted = _accepted(ctx, case, at) if may_accept else None
            key = case.rule.name, case.finding.group + (ACCEPTED if accepted else "")
            if key not in clusters:
                clusters[key] = Cluster(case.rule, key[1], accepted=accepted)
            clusters[key].cases.append(case)
        return list(clusters.values())

    def _cluster_losses(
        self, ctx: RuleContext, losses: list[Raised], clusters: dict[tuple[str, str], Cluster], at: datetime
    ) -> None:
        stops = self._measure_stops(ctx)
        self.losses.sort(ctx, stops, losses)
        for group in list(self.losses.groups.values()):
            verdict = bring_up_to_date(ctx, group, self._verdict(ctx, stops, group))
            for cluster in _loss_clusters(ctx, group, at):
                # What stopped together has one cause, accepted or not.
                cluster.verdict = verdict
                clusters[cluster.rule.name, cluster.group] = cluster
        self._verdicts = {id_: kept for id_, kept in self._verdicts.items() if id_ in self.losses.groups}

    def _measure_stops(self, ctx: RuleContext) -> Stops:
        """Measure every stream; by the same facts only the time is another."""
        if self._stops is None or ctx.revision is None or ctx.revision != self._stops_of:
            self._stops, self._stops_of = measure_stops(ctx), ctx.revision
        self._stops.now_ns = ctx.now_ns
        return self._stops

    def _verdict(self, ctx: RuleContext, stops: Stops, group: LossGroup) -> Verdict:
        members = frozenset(group.members)
        known = self._verdicts.get(group.id)
        networks = {network for case in group.members.values() for network in case.finding.networks}
        is_deaf = bool(networks) and all(ctx.listener.is_blind(one, ctx.now_ns) for one in networks)
        if known is not None and (is_deaf or any(case.is_visited for case in group.members.values())):
            # This listener hears nothing of it there now: neither silence nor frames are evidence of the cause.
            known[1].still_working = []
            return _set_aside(known[1])
        if known is not None and any(case.was_visited for case in group.members.values()):
            say_what_works_now(ctx, stops, group, known[1])
            return _set_aside(known[1])
        # Once every timeout and two discovery intervals have passed the cause is final, whatever comes back.
        if known is not None and known[0] == members and not known[1].provisional:
            return follow_settled(ctx, stops, group, known[1])
        # A listener that hears nothing learns nothing about the cause.
        if known is not None and _is_blind(ctx, group):
            return _set_aside(known[1])
        # Once some of it is back, the present state is not evidence of the cause. A tapped line shows its own alone.
        if known is not None and group.kind != "line" and _is_coming_back(ctx, group):
            known[1].await_evidence(ctx.at_ns, group.is_revised_until_ns)
            self._verdicts[group.id] = known[0] | members, known[1]  # what misses a source only now stopped with it
            say_what_works_now(ctx, stops, group, known[1])
            return known[1]
        verdict = self._last.cause(ctx, group, lambda: find_cause(ctx, stops, group))
        # What stopped in the same moment by another cause may still be away: that is another group.
        is_left = known is not None and members < known[0] and not group.apart_from
        if known is not None and verdict.cause != known[1].cause and (is_left or _came_back_beside(ctx, group)):
            verdict = left_behind(known[1], verdict)
        self._verdicts[group.id] = members, verdict
        return verdict


def _set_aside(verdict: Verdict) -> Verdict:
    """Leave a verdict as it is, also once its time for evidence is over: it is weighed again when that can be done."""
    verdict.settles_ns = NEVER_NS
    return verdict


def _is_blind(ctx: RuleContext, group: LossGroup) -> bool:
    networks = {int(ctx.streams.network[row]) for row in group.streams}
    return bool(networks) and all(ctx.listener.is_blind(network, ctx.now_ns) for network in networks)


def _is_coming_back(ctx: RuleContext, group: LossGroup) -> bool:
    """Whether a stream of the group sends again, or the whole group has come back.

    A case that ended because another rule took it over has not come back: its streams are still silent.
    """
    ended = [case for case in group.members.values() if not case.holds]
    rows = [row for case in ended for row in case.finding.streams]
    if not rows:
        return False
    return len(ended) == len(group.members) or bool(ctx.live[rows].any()) or _is_back_elsewhere(ctx, ended)


def _is_back_elsewhere(ctx: RuleContext, ended: list[Raised]) -> bool:
    """Whether a source of these cases sends one of their universes again, from another address."""
    leads = {lead_of(ctx, ctx.source_of(row)) for case in ended for row in case.finding.streams}
    now = (row for case in ended for universe in case.finding.universes for row in ctx.streams_of(universe).tolist())
    return any(ctx.live[row] and lead_of(ctx, ctx.source_of(row)) in leads for row in now)


def _came_back_beside(ctx: RuleContext, group: LossGroup) -> bool:
    """Whether all that its sources send now came back after they stopped: it does not show that they continued."""
    streams, stopped = ctx.streams, group.streams
    rows = [row for source in ctx.sources_of(stopped) for row in ctx.streams_from(source).tolist()]
    now = [row for row in rows if ctx.live[row] and row not in stopped]
    return bool(now) and bool((streams.return_ns[now] > max(group.from_ns, group.to_ns)).all())


def _loss_clusters(ctx: RuleContext, group: LossGroup, at: datetime) -> list[Cluster]:
    """What a group of losses becomes: one cluster, and one more of those that are accepted."""
    if not _may_accept(ctx):
        return [_loss_cluster(group, list(group.members.values()), None)] if group.members else []
    open_, accepted = list[Raised](), list[Raised]()
    why: AcceptedCase | None = None
    for case in group.members.values():
        found = _accepted(ctx, case, at)
        why = why or found
        (accepted if found else open_).append(case)
    parts = ((open_, None), (accepted, why))
    return [_loss_cluster(group, cases, found) for cases, found in parts if cases]


def _loss_cluster(group: LossGroup, cases: list[Raised], accepted: AcceptedCase | None) -> Cluster:
    by_rule: dict[str, list[Raised]] = {}
    for case in cases:
        by_rule.setdefault(case.rule.name, []).append(case)
    # A case that is over does not lead while another lasts.
    now = {rule for rule, held in by_rule.items() if not all(case.over for case in held)}
    lead = next(rule for rule in LOSS_RULES if rule in (now or _ended_last(by_rule)))
    name = f"loss:{group.id}" + (ACCEPTED if accepted else "")
    together_ns = group.from_ns if group.kind == "silent" and not group.spread_ns else 0
    cluster = Cluster(by_rule[lead][0].rule, name, by_rule[lead], accepted=accepted, together_ns=together_ns)
    cluster.explained = [case for rule, held in by_rule.items() if rule != lead for case in held]
    return cluster


def _ended_last(by_rule: dict[str, list[Raised]]) -> set[str]:
    """If all cases are over, those that were true last: one that ended long before no longer leads."""
    ended_ns = {rule: max(case.last_true_ns for case in held) for rule, held in by_rule.items()}
    return {rule for rule, at_ns in ended_ns.items() if at_ns >= max(ended_ns.values()) - NANOSECONDS}


def _may_accept(ctx: RuleContext) -> bool:
    """Whether any case can be accepted: asked once for thousands of them."""
    return bool(ctx.house.accepted or ctx.exceptions)


def _accepted(ctx: RuleContext, case: Raised, at: datetime) -> AcceptedCase | None:
    """Say by what a case is accepted; asked only where any can be."""
    keys = frozenset(Cluster(case.rule, case.finding.group, [case]).source_keys(ctx)) if ctx.exceptions else frozenset()
    return standing(ctx, case.rule.name, case.finding.universes, keys, at)


@dataclass(frozen=True, slots=True)
class _Crowd:
    """Clusters of one rule that may share a path."""

    networks: set[int]
    """Those of its first cluster: no other has more."""
    clusters: list[Cluster]


def _share_paths(ctx: RuleContext, clusters: list[Cluster], companions: Companions) -> list[Cluster]:
    """Join clusters of one rule that several sources have at the same time, on networks that they have in common."""
    kept: list[Cluster] = []
    sharing: list[tuple[Cluster, set[int]]] = []
    for cluster in clusters:
        networks = cluster.networks()
        if cluster.rule.shares_a_path and networks and not cluster.accepted:
            sharing.append((cluster, networks))
        else:
            kept.append(cluster)
    crowds: dict[str, list[_Crowd]] = {}
    # What is on several networks joins those that are on one of them.
    for cluster, networks in sorted(sharing, key=lambda pair: -len(pair[1])):
        rule, mine = cluster.rule.name, (cluster.group, cluster.speaker)
        for crowd in crowds.setdefault(rule, []):
            if not crowd.networks.isdisjoint(networks) and all(
                companions.are_one(ctx, rule, (one.group, one.speaker), mine) for one in crowd.clusters
            ):
                crowd.clusters.append(cluster)
                break
        else:
            crowds[rule].append(_Crowd(networks, [cluster]))
    companions.forget(ctx.at_ns)
    places = Counter[tuple[str, int]]()
    for crowd in (crowd for of_rule in crowds.values() for crowd in of_rule):
        together, network = crowd.clusters, min(crowd.networks)
        place = places[together[0].rule.name, network]
        places[together[0].rule.name, network] += 1
        if len({name for cluster in together for name in names_of(ctx, cluster.findings())}) < 2:
            kept.extend(together)
            continue
        cases = [case for cluster in together for case in cluster.cases]
        wide = Cluster(together[0].rule, f"network:{ctx.network_name(network)}" + (f":{place}" if place else ""), cases)
        wide.verdict = find_shared_cause(ctx, wide.source_rows(ctx), wide.findings())
        if len(names_of(ctx, [case.finding for case in cases if not case.over])) == 1:
            say_several_did(wide.verdict)
        kept.append(wide)
    return kept


def _crowded(clusters: list[Cluster], before: set[tuple[str, bool]]) -> set[tuple[str, bool]]:
    """Name the rules of which there are too many clusters to read; accepted ones count apart."""
    if len(clusters) <= FEW_CLUSTERS:
        return set()
    count = Counter((cluster.rule.name, bool(cluster.accepted)) for cluster in clusters)
    return {key for key, several in count.items() if several > (FEW_CLUSTERS if key in before else MOST_CLUSTERS)}


def _bounded(clusters: list[Cluster], crowded: set[tuple[str, bool]]) -> list[Cluster]:
    """Join all clusters of each crowded rule into one; accepted ones stay apart."""
    if not crowded:
        return clusters
    kept = [cluster for cluster in clusters if (cluster.rule.name, bool(cluster.accepted)) not in crowded]
    for name, is_accepted in sorted(crowded):
        several = [one for one in clusters if (one.rule.name, bool(one.accepted)) == (name, is_accepted)]
        group = "many" + (ACCEPTED if is_accepted else "")
        many = Cluster(several[0].rule, group, accepted=several[0].accepted)
        many.cases = [case for cluster in several for case in cluster.cases]
        many.explained = [case for cluster in several for case in cluster.explained]
        if name in LOSS_RULES:
            sentence = f"{len(several)} losses at different times do not share one cause."
            many.verdict = Verdict("unknown", Confidence.LOW, sentence, [sentence])
        kept.append(many)
    return kept
