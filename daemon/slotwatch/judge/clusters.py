"""Cases into clusters: what is one fault with one cause becomes one cluster, and so one incident."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from slotwatch.judge import explain
from slotwatch.judge.binding import Finding, Raised
from slotwatch.judge.causes import find_cause, left_behind, say_what_works_now
from slotwatch.judge.context import RuleContext
from slotwatch.judge.earlier import may_explain
from slotwatch.judge.exceptions import AcceptedCase, standing
from slotwatch.judge.incidents import IncidentBook
from slotwatch.judge.losses import LOSS_RULES, Losses, LossGroup
from slotwatch.judge.rule import Rule, RuleClass
from slotwatch.judge.scene import Verdict
from slotwatch.judge.shared_path import Companions, find_shared_cause
from slotwatch.judge.stops import measure_stops
from slotwatch.snapshot import Confidence, Incident

NANOSECONDS = 1_000_000_000
NEAR_NS = 3 * NANOSECONDS
"""A wide fault explains what was raised before it only if it began at most this long before: the last frame of one
universe and the next of another lie so far apart at rest."""
LET_GO_NS = NANOSECONDS
"""A cause and what it explains end in the same moment, and are looked at up to 100 ms apart."""
LINGER_NS = 12 * NANOSECONDS
"""Longest window of any rule, 10 s, and some slack."""
ACCEPTED = " accepted"
"""Ends the group of what is accepted: it is an incident of its own beside what is not."""
MOST_CLUSTERS = 12
"""Of one rule; more become one incident, so that a flood of forged senders is no flood of lines."""


@dataclass(slots=True)
class Cluster:
    """What becomes one incident."""

    rule: Rule
    group: str
    cases: list[Raised] = field(default_factory=list)
    explained: list[Raised] = field(default_factory=list)
    verdict: Verdict | None = None
    accepted: AcceptedCase | None = None
    earlier_began_ns: int = 0
    """When it began, if an earlier judgement knew it already; else 0."""

    @property
    def since_ns(self) -> int:
        since_ns = min(case.finding.since_ns for case in self.cases)
        return min(since_ns, self.earlier_began_ns or since_ns)

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
        self._companions = Companions()
        self._verdicts: dict[int, tuple[frozenset[tuple[str, object]], Verdict]] = {}
        self.is_letting_go = False
        """Whether a cause that just ended still explains something for a moment."""

    @property
    def is_revising(self) -> bool:
        """Whether a cause may still change while evidence comes in, or what it explains while it ends."""
        return self.is_letting_go or any(verdict.provisional for _, verdict in self._verdicts.values())

    def cluster(self, ctx: RuleContext, cases: Sequence[Raised], at: datetime, book: IncidentBook) -> list[Cluster]:
        """Make this pass's clusters, each case in at most one: as its own or as explained."""
        settled = [case for case in cases if _is_settled(ctx, case, book)]
        apart = set(map(id, settled))
        clusters = self._by_group(ctx, [case for case in cases if id(case) not in apart], at)
        clusters = _share_paths(ctx, clusters, self._companions)
        clusters = _explain(ctx, clusters)
        _explain_by_earlier(ctx, clusters, book.waiting)
        self.is_letting_go = _stay_explained(ctx, clusters, book) | any(case.holds for case in settled)
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
        # Once every timeout and two discovery intervals have passed the cause is final, whatever comes back.
        if known is not None and known[0] == members and not known[1].provisional:
            say_what_works_now(ctx, stops, group, known[1])  # type: ignore[arg-type]
            return known[1]
        # Once some of it is back, what else is true now says nothing of why it went.
        if known is not None and _is_coming_back(ctx, group):
            known[1].provisional = ctx.now_ns < group.is_revised_until_ns
            say_what_works_now(ctx, stops, group, known[1])  # type: ignore[arg-type]
            return known[1]
        verdict = find_cause(ctx, stops, group)  # type: ignore[arg-type]
        if known is not None and members < known[0] and verdict.cause != known[1].cause:
            verdict = left_behind(known[1], verdict)
        self._verdicts[group.id] = members, verdict
        return verdict


def _is_coming_back(ctx: RuleContext, group: LossGroup) -> bool:
    """Whether a stream of the group sends again. What only holds under another rule by now has not come back."""
    ended = [case for case in group.members.values() if not case.holds]
    rows = [row for case in ended for row in case.finding.streams]
    return bool(rows) and bool(ctx.live[rows].any())


def _is_settled(ctx: RuleContext, case: Raised, book: IncidentBook) -> bool:
    """Whether an incident that has closed since accounts for this case: its traces may linger in the windows."""
    if case.explained_by is None or book.is_open(case.explained_by):
        return False
    if case.stays_explained:
        return True
    linger_ns = LINGER_NS if case.leaves_traces else LET_GO_NS
    if case.holds and ctx.now_ns - book.closed_ns(case.explained_by) > linger_ns:
        case.explained_by = None
        return False
    return True


def _stay_explained(ctx: RuleContext, clusters: list[Cluster], book: IncidentBook) -> bool:
    """Keep what an open incident accounts for, while its traces last. True if some of it is let go in a moment."""
    letting_go = False
    for cluster in clusters:
        for case in [case for case in cluster.cases if case.explained_by is not None]:
            key = book.key_of(case.explained_by or 0)
            wide = next((other for other in clusters if (other.rule.name, other.group) == key and other.cases), None)
            if wide is cluster:
                continue
            if wide is not None and _is_true_by_itself(wide, case):
                ended_ns = max((one.last_true_ns for one in wide.cases if not one.holds), default=0)
                if ctx.now_ns - ended_ns >= LET_GO_NS:
                    case.explained_by = None
                    continue
                letting_go = True
            # Without that cluster its incident closes in this very pass, and this case is settled with it.
            cluster.cases.remove(case)
            if wide is not None:
                wide.explained.append(case)
    return letting_go


def _explain_by_earlier(ctx: RuleContext, clusters: list[Cluster], waiting: Sequence[Incident]) -> None:
    """Let what was open before a restart account for what it made, until it is found again itself."""
    for incident in waiting:
        for case in (case for cluster in clusters for case in cluster.cases if case.explained_by is None):
            universes = [ctx.universe_name(row) for row in case.finding.universes]
            if may_explain(incident, case.rule, universes, names_of(ctx, (case.finding,))):
                case.explained_by = incident.id


def _is_true_by_itself(wide: Cluster, case: Raised) -> bool:
    """Whether a case holds now and is no trace of what ended: only rules that count over a window see those."""
    if case.leaves_traces or wide.rule.explains.by_its_end:
        return False
    return case.holds and wide.rule.rule_class is not RuleClass.SELF


def _loss_clusters(ctx: RuleContext, group: LossGroup, at: datetime) -> list[Cluster]:
    """What a group of losses becomes: one cluster, and one more of those that are accepted."""
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
    # What is over does not speak for what lasts.
    now = {rule for rule, held in by_rule.items() if not all(case.over for case in held)}
    lead = next(rule for rule in LOSS_RULES if rule in (now or by_rule))
    name = f"loss:{group.id}" + (ACCEPTED if accepted else "")
    cluster = Cluster(by_rule[lead][0].rule, name, by_rule[lead], accepted=accepted)
    cluster.explained = [case for rule, held in by_rule.items() if rule != lead for case in held]
    return cluster


def _accepted(ctx: RuleContext, case: Raised, at: datetime) -> AcceptedCase | None:
    if not (ctx.house.accepted or ctx.exceptions):
        return None
    keys = frozenset(Cluster(case.rule, case.finding.group, [case]).source_keys(ctx)) if ctx.exceptions else frozenset()
    return standing(ctx, case.rule.name, case.finding.universes, keys, at)


def _share_paths(ctx: RuleContext, clusters: list[Cluster], companions: Companions) -> list[Cluster]:
    """Draw the same trouble of several sources of one network into one cluster."""
    kept: list[Cluster] = []
    shared: dict[tuple[str, int], list[list[Cluster]]] = {}
    for cluster in clusters:
        networks = cluster.networks()
        if not (cluster.rule.shares_a_path and len(networks) == 1 and not cluster.accepted):
            kept.append(cluster)
            continue
        rule, mine = cluster.rule.name, (cluster.group, cluster.speaker)
        crowds = shared.setdefault((rule, min(networks)), [])
        for crowd in crowds:
            if all(companions.are_one(ctx, rule, (one.group, one.speaker), mine) for one in crowd):
                crowd.append(cluster)
                break
        else:
            crowds.append([cluster])
    companions.forget()
    for (_, network), crowds in shared.items():
        for place, together in enumerate(crowds):
            if len({name for cluster in together for name in names_of(ctx, cluster.findings())}) < 2:
                kept.extend(together)
                continue
            cases = [case for cluster in together for case in cluster.cases]
            wide = Cluster(together[0].rule, f"network:{network}" + (f":{place}" if place else ""), cases)
            wide.verdict = find_shared_cause(ctx, wide.source_rows(ctx), wide.findings())
            kept.append(wide)
    return kept


def _explain(ctx: RuleContext, clusters: list[Cluster]) -> list[Cluster]:
    if len(clusters) < 2:
        return clusters
    wide_ones = sorted(
        (cluster for cluster in clusters if cluster.rule.explains.reaches),
        key=lambda cluster: cluster.rule.explains.rank,
    )
    for wide in wide_ones:
        for reach in wide.rule.explains.reaches:
            if wide.cases and (not reach.causes or wide.cause in reach.causes):
                _take(ctx, wide, reach, clusters)
    return clusters


@dataclass(frozen=True, slots=True)
class Extent:
    """Whom and what the cases of a wide fault are about."""

    names: set[str]
    universes: set[int]
    networks: set[int]
    fixtures: set[str]

    @classmethod
    def of(cls, ctx: RuleContext, cases: Sequence[Raised]) -> Extent:
        findings = [case.finding for case in cases]
        return cls(
            names_of(ctx, findings),
            {row for finding in findings for row in finding.universes},
            {network for finding in findings for network in finding.networks},
            {name for finding in findings for name in finding.fixtures},
        )


def _take(ctx: RuleContext, wide: Cluster, reach: explain.Reach, clusters: Iterable[Cluster]) -> None:
    every = Extent.of(ctx, wide.cases)
    now = [case for case in wide.cases if case.holds]
    # What is over explains the traces that it left, and nothing that is true now.
    lasting = every if len(now) == len(wide.cases) else Extent.of(ctx, now)
    over = every.universes - lasting.universes
    # Nothing makes what was there before it. Worked out once: both sides may have thousands of cases.
    earliest_ns = wide.since_ns if wide.rule.explains.begins_at_a_moment else None
    for other in clusters:
        if other is wide or not reach.covers(other.rule):
            continue
        if other.rule is wide.rule and bool(other.accepted) is not bool(wide.accepted):
            continue  # what is accepted by name, and what is not, stay two
        staying = []
        for case in other.cases:
            extent, apt = every, not reach.only or case.finding.cause in reach.only
            if _is_true_by_itself(wide, case):
                extent = lasting
                apt &= over.isdisjoint(case.finding.universes)
            # An exception of some universes says nothing of the source's others.
            if wide.accepted and every.universes:
                apt &= set(case.finding.universes) <= every.universes
            if apt and _is_near(ctx, case, reach.nearness, extent) and _in_time(case, earliest_ns):
                wide.explained.append(case)
            else:
                staying.append(case)
        if not staying and other.cases:
            wide.explained.extend(other.explained)
            other.explained = []
        other.cases = staying


def _is_near(ctx: RuleContext, case: Raised, nearness: str, extent: Extent) -> bool:
    finding = case.finding
    if nearness == explain.ANYWHERE:
        return True
    if nearness == explain.NETWORK:
        return bool(finding.networks) and set(finding.networks) <= extent.networks
    if nearness == explain.FIXTURE:
        return bool(finding.fixtures) and set(finding.fixtures) <= extent.fixtures
    on_universes = bool(finding.universes) and set(finding.universes) <= extent.universes
    if nearness == explain.UNIVERSE:
        return on_universes
    of_sources = bool(extent.names & names_of(ctx, (finding,)))
    if nearness == explain.SOURCE:
        # A source with a lead to each of two networks may have a fault on each.
        return of_sources and (not extent.networks or set(finding.networks) <= extent.networks)
    return of_sources and on_universes


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
            sentence = f"{len(several)} losses at different times do not share one cause."
            many.verdict = Verdict("unknown", Confidence.LOW, sentence, [sentence])
        kept.append(many)
    return kept
