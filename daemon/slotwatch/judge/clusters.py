"""Cases into clusters: what is one fault with one cause becomes one cluster, and so one incident."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from slotwatch.judge import explain
from slotwatch.judge.binding import Finding, Raised
from slotwatch.judge.causes import find_cause
from slotwatch.judge.context import RuleContext
from slotwatch.judge.exceptions import Standing, standing
from slotwatch.judge.incidents import IncidentBook
from slotwatch.judge.losses import LOSS_RULES, Losses, LossGroup
from slotwatch.judge.rule import Rule
from slotwatch.judge.scene import Verdict
from slotwatch.judge.stops import measure_stops
from slotwatch.snapshot import Confidence

NANOSECONDS = 1_000_000_000
NEAR_NS = 3 * NANOSECONDS
"""A wide fault explains what was raised before it only if it began at most this long before: the last frame of one
universe and the next of another lie so far apart at rest."""
SHARED_PATH = frozenset({"packet-loss", "uneven-refresh", "repeated-packets", "out-of-order"})
"""Of two or more sources at once they have one cause between them and this port."""
LINGER_NS = 12 * NANOSECONDS
"""Longest window of any rule, 10 s, and some slack."""
ACCEPTED = " accepted"
"""Ends the group of what is accepted: it is an incident of its own beside what is not."""
MOST_CLUSTERS = 12
"""Of one rule; more are told as one, so that a flood of forged senders is no flood of lines."""


@dataclass(slots=True)
class Cluster:
    """What becomes one incident."""

    rule: Rule
    group: str
    cases: list[Raised] = field(default_factory=list)
    explained: list[Raised] = field(default_factory=list)
    verdict: Verdict | None = None
    accepted: Standing | None = None

    @property
    def since_ns(self) -> int:
        return min(case.finding.since_ns for case in self.cases)

    @property
    def cause(self) -> str:
        return self.verdict.cause if self.verdict else self.speaker.cause

    @property
    def speaker(self) -> Finding:
        return max(self.cases, key=lambda case: case.finding.weight).finding

    def universes(self) -> list[int]:
        return sorted({row for case in self.cases for row in case.finding.universes})

    def networks(self) -> set[int]:
        return {network for case in self.cases for network in case.finding.networks}

    def findings(self) -> list[Finding]:
        return [case.finding for case in self.cases]

    def source_keys(self, ctx: RuleContext) -> set[str]:
        """`wire.universe.source_key` of every source that its cases are about."""
        names = {name for case in self.cases for name in case.finding.source_names}
        rows = self.source_rows(ctx)
        heard = {ctx.source_name(row) for row in rows}
        return {ctx.declared_key(name) for name in names - heard} | {ctx.source_key(ctx.first_leg(row)) for row in rows}

    def source_rows(self, ctx: RuleContext) -> set[int]:
        """Rows of every source that its cases are about."""
        return _rows_of(ctx, self.findings())


def names_of(ctx: RuleContext, findings: Sequence[Finding]) -> set[str]:
    """Name every source that findings are about."""
    names = {name for finding in findings for name in finding.source_names}
    return names | {ctx.source_name(row) for row in ctx.whole_sources(_rows_of(ctx, findings))}


def _rows_of(ctx: RuleContext, findings: Sequence[Finding]) -> set[int]:
    streams = {row for finding in findings for row in finding.streams}
    return {row for finding in findings for row in finding.sources} | ctx.sources_of(streams)


class Clusterer:
    """Groups the raised cases of each pass, and remembers which losses belong together."""

    def __init__(self) -> None:
        self.losses = Losses()
        self._verdicts: dict[int, tuple[frozenset[tuple[str, object]], Verdict]] = {}

    @property
    def is_revising(self) -> bool:
        """Whether a cause may still change while evidence comes in."""
        return any(verdict.provisional for _, verdict in self._verdicts.values())

    def cluster(self, ctx: RuleContext, cases: Sequence[Raised], at: datetime, book: IncidentBook) -> list[Cluster]:
        """Make this pass's clusters, each case in at most one: as its own or as explained."""
        clusters = self._by_group(ctx, [case for case in cases if not _is_settled(ctx, case, book)], at)
        clusters = _share_paths(ctx, clusters)
        clusters = _explain(ctx, clusters)
        _stay_explained(clusters, book)
        return _bounded([cluster for cluster in clusters if cluster.cases])

    def _by_group(self, ctx: RuleContext, cases: Sequence[Raised], at: datetime) -> list[Cluster]:
        clusters: dict[tuple[str, str], Cluster] = {}
        losses = [case for case in cases if case.rule.name in LOSS_RULES]
        if losses or self.losses.groups:
            self._cluster_losses(ctx, losses, clusters, at)
        for case in cases:
            if case.rule.name in LOSS_RULES:
                continue
            accepted = _accepted(ctx, case, at)
            key = case.rule.name, case.finding.group + (ACCEPTED if accepted else "")
            if key not in clusters:
                clusters[key] = Cluster(case.rule, key[1], accepted=accepted)
            clusters[key].cases.append(case)
        return list(clusters.values())

    def _cluster_losses(
        self, ctx: RuleContext, losses: list[Raised], clusters: dict[tuple[str, str], Cluster], at: datetime
    ) -> None:
        stops = measure_stops(ctx)
        self.losses.sort(ctx, stops, losses)
        for group in list(self.losses.groups.values()):
            verdict = self._verdict(ctx, stops, group)
            for cluster in _loss_clusters(ctx, group, at):
                # What stopped together has one cause, accepted or not.
                cluster.verdict = verdict
                clusters[cluster.rule.name, cluster.group] = cluster
        self._verdicts = {id_: kept for id_, kept in self._verdicts.items() if id_ in self.losses.groups}

    def _verdict(self, ctx: RuleContext, stops: object, group: LossGroup) -> Verdict:
        members = frozenset(group.members)
        known = self._verdicts.get(group.id)
        # Once every timeout and two discovery intervals have passed the cause stands, whatever comes back.
        if known is not None and known[0] == members and not known[1].provisional:
            return known[1]
        if known is not None and not all(case.holds for case in group.members.values()):
            known[1].provisional = ctx.now_ns < group.is_revised_until_ns
            return known[1]
        verdict = find_cause(ctx, stops, group)  # type: ignore[arg-type]
        self._verdicts[group.id] = members, verdict
        return verdict


def _is_settled(ctx: RuleContext, case: Raised, book: IncidentBook) -> bool:
    """Whether an incident that has closed since accounts for this case: its traces may linger in the windows."""
    if case.explained_by is None or book.is_open(case.explained_by):
        return False
    if case.holds and ctx.now_ns - book.closed_ns(case.explained_by) > LINGER_NS:
        case.explained_by = None
        return False
    return True


def _stay_explained(clusters: list[Cluster], book: IncidentBook) -> None:
    """What an open incident has accounted for does not leave it while it is open."""
    for cluster in clusters:
        for case in [case for case in cluster.cases if case.explained_by is not None]:
            key = book.key_of(case.explained_by or 0)
            wide = next((other for other in clusters if (other.rule.name, other.group) == key and other.cases), None)
            if wide is cluster:
                continue
            # Without that cluster its incident closes in this very pass, and this case is settled with it.
            cluster.cases.remove(case)
            if wide is not None:
                wide.explained.append(case)


def _loss_clusters(ctx: RuleContext, group: LossGroup, at: datetime) -> list[Cluster]:
    """What a group of losses becomes: one cluster, and one more of those that are accepted."""
    open_, accepted = list[Raised](), list[Raised]()
    why: Standing | None = None
    for case in group.members.values():
        found = _accepted(ctx, case, at)
        why = why or found
        (accepted if found else open_).append(case)
    parts = ((open_, None), (accepted, why))
    return [_loss_cluster(group, cases, found) for cases, found in parts if cases]


def _loss_cluster(group: LossGroup, cases: list[Raised], accepted: Standing | None) -> Cluster:
    by_rule: dict[str, list[Raised]] = {}
    for case in cases:
        by_rule.setdefault(case.rule.name, []).append(case)
    lead = next(rule for rule in LOSS_RULES if rule in by_rule)
    name = f"loss:{group.id}" + (ACCEPTED if accepted else "")
    cluster = Cluster(by_rule[lead][0].rule, name, by_rule[lead], accepted=accepted)
    cluster.explained = [case for rule, held in by_rule.items() if rule != lead for case in held]
    return cluster


def _accepted(ctx: RuleContext, case: Raised, at: datetime) -> Standing | None:
    if not (ctx.house.accepted or ctx.exceptions):
        return None
    keys = frozenset(Cluster(case.rule, case.finding.group, [case]).source_keys(ctx)) if ctx.exceptions else frozenset()
    return standing(ctx, case.rule.name, case.finding.universes, keys, at)


def _share_paths(ctx: RuleContext, clusters: list[Cluster]) -> list[Cluster]:
    """Draw the same trouble of several sources of one network into one cluster."""
    kept: list[Cluster] = []
    shared: dict[tuple[str, int], list[Cluster]] = {}
    for cluster in clusters:
        networks = cluster.networks()
        if cluster.rule.name in SHARED_PATH and len(networks) == 1 and not cluster.accepted:
            shared.setdefault((cluster.rule.name, min(networks)), []).append(cluster)
        else:
            kept.append(cluster)
    for (_, network), together in shared.items():
        if len({name for cluster in together for name in names_of(ctx, cluster.findings())}) < 2:
            kept.extend(together)
            continue
        cases = [case for cluster in together for case in cluster.cases]
        wide = Cluster(together[0].rule, f"network:{network}", cases)
        wide.verdict = Verdict(
            "shared-path",
            Confidence.HIGH,
            "Several sources show it at once: a path that they share, not their senders.",
            next_checks=["Look at the switches and uplinks that these sources share on their way here."],
        )
        kept.append(wide)
    return kept


def _explain(ctx: RuleContext, clusters: list[Cluster]) -> list[Cluster]:
    if len(clusters) < 2:
        return clusters
    wide_ones = sorted(
        (cluster for cluster in clusters if cluster.rule.name in explain.EXPLAINS),
        key=lambda cluster: explain.ORDER.index(cluster.rule.name),
    )
    for wide in wide_ones:
        for reach in explain.EXPLAINS[wide.rule.name]:
            if wide.cases and (not reach.causes or wide.cause in reach.causes):
                _take(ctx, wide, reach, clusters)
    return clusters


def _take(ctx: RuleContext, wide: Cluster, reach: explain.Reach, clusters: Iterable[Cluster]) -> None:
    names, universes, networks = names_of(ctx, wide.findings()), set(wide.universes()), wide.networks()
    # Nothing makes what was there before it. Worked out once: both sides may have thousands of cases.
    earliest_ns = wide.since_ns if wide.rule.name in explain.TIMED else None
    for other in clusters:
        if other is wide or other.rule.name not in reach.rules:
            continue
        if other.rule is wide.rule and bool(other.accepted) is not bool(wide.accepted):
            continue  # what is accepted by name, and what is not, stay two
        staying = []
        for case in other.cases:
            # An exception of some universes says nothing of the source's others.
            elsewhere = wide.accepted and universes and not set(case.finding.universes) <= universes
            near = not elsewhere and _is_near(ctx, case, reach.nearness, names, universes, networks)
            if near and _in_time(case, earliest_ns):
                wide.explained.append(case)
            else:
                staying.append(case)
        if not staying and other.cases:
            wide.explained.extend(other.explained)
            other.explained = []
        other.cases = staying


def _is_near(
    ctx: RuleContext, case: Raised, nearness: str, names: set[str], universes: set[int], networks: set[int]
) -> bool:
    finding = case.finding
    if nearness == explain.ANYWHERE:
        return True
    if nearness == explain.NETWORK:
        return bool(finding.networks) and set(finding.networks) <= networks
    on_universes = bool(finding.universes) and set(finding.universes) <= universes
    if nearness == explain.UNIVERSE:
        return on_universes
    of_sources = bool(names & names_of(ctx, (finding,)))
    return of_sources and (nearness == explain.SOURCE or on_universes)


def _in_time(case: Raised, earliest_ns: int | None) -> bool:
    """Whether what began at `earliest_ns` (None: whenever) is early enough to have made this case."""
    if earliest_ns is None or case.raised_ns >= earliest_ns:
        return True
    return case.finding.since_ns >= earliest_ns - NEAR_NS


def _bounded(clusters: list[Cluster]) -> list[Cluster]:
    """Tell all of one rule as one where there are too many of them to read; what is accepted stays apart."""
    count = Counter((cluster.rule.name, bool(cluster.accepted)) for cluster in clusters)
    crowded = {name for name, several in count.items() if several > MOST_CLUSTERS}
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
            sentence = f"{len(several)} losses at different times have no one cause between them."
            many.verdict = Verdict("unknown", Confidence.LOW, sentence, [sentence])
        kept.append(many)
    return kept
