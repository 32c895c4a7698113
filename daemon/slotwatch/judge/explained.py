"""Which cases a wider fault explains, and when they become incidents of their own again."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import explain
from slotwatch.judge.cluster import Cluster, names_of, subject_of
from slotwatch.judge.context import RuleContext
from slotwatch.judge.drafts import Slot
from slotwatch.judge.earlier import may_explain
from slotwatch.judge.homes import UNDER_WAY_NS
from slotwatch.judge.incidents import IncidentBook
from slotwatch.judge.likeness import ABSENT, GONE, OF_DATA
from slotwatch.judge.raised import Raised
from slotwatch.judge.rule import RuleClass
from slotwatch.snapshot import Incident
from slotwatch.wire.universe import UniverseId

T = TypeVar("T")

NEAR_NS = 3 * NANOSECONDS
"""A wide fault explains what was raised before it only if it began at most this long before: the last frame of one
universe and the next of another lie so far apart at rest."""
LET_GO_NS = NANOSECONDS
"""A cause and what it explains end in the same moment, and are looked at up to 100 ms apart."""
LINGER_NS = 12 * NANOSECONDS
"""Longest window of any rule, 10 s, and some slack."""


def is_settled(ctx: RuleContext, case: Raised, book: IncidentBook) -> bool:
    """Whether an incident that has closed since accounts for this case: its traces may linger in the windows."""
    if case.explained_by is None or book.is_open(case.explained_by):
        return False
    if case.stays_explained:
        return True
    closed_ns = book.closed_ns(case.explained_by)
    # This long after a fault is over, no window counts it any more, however long its incident is still watched.
    free_ns = closed_ns + LET_GO_NS
    if case.leaves_traces:
        free_ns = max(free_ns, (book.returned_ns(case.explained_by) or closed_ns) + LINGER_NS)
    if case.holds and ctx.now_ns > free_ns:
        case.explained_by = None
        return False
    return True


def let_go(ctx: RuleContext, clusters: list[Cluster], book: IncidentBook) -> bool:
    """Free the cases that outlast what explained them: they become incidents of their own.

    True if some of them will be free in a moment.
    """
    letting_go = False
    explained = [cluster for cluster in clusters if any(case.explained_by is not None for case in cluster.cases)]
    by_subject = _by_subject(clusters) if explained else {}
    for cluster in explained:
        for case in cluster.cases:
            wide = _explainer_of(case, by_subject, book)
            if wide is None or wide is cluster or not _is_true_by_itself(wide, case):
                continue
            ended_ns = max((one.last_true_ns for one in wide.cases if not one.holds), default=0)
            if ctx.now_ns - ended_ns >= LET_GO_NS and not _is_running_out(ctx, case, ended_ns):
                case.explained_by = None
            else:
                letting_go = True
    return letting_go


def _is_running_out(ctx: RuleContext, case: Raised, ended_ns: int) -> bool:
    """Whether a case is about data of which nothing came since then: it holds only until its loss timeout."""
    rows = list(case.finding.universes)
    last_ns = ctx.universes.last_arrival_ns[rows]
    return case.rule.name in OF_DATA and bool((last_ns <= ended_ns + UNDER_WAY_NS).all())


def _by_subject(clusters: list[Cluster]) -> dict[Slot, Cluster]:
    return {subject_of(cluster.rule.name, cluster.group): cluster for cluster in clusters}


def _explainer_of(case: Raised, by_subject: dict[Slot, Cluster], book: IncidentBook) -> Cluster | None:
    slot = None if case.explained_by is None else book.key_of(case.explained_by)
    return None if slot is None else by_subject.get(subject_of(*slot))


def _incidents_over(cluster: Cluster, book: IncidentBook) -> set[Slot]:
    """Subjects of the open incidents that account for cases of a cluster."""
    numbers = {case.explained_by for case in cluster.cases if case.explained_by is not None}
    return {subject_of(*slot) for slot in map(book.key_of, numbers) if slot is not None}


def stay_explained(clusters: list[Cluster], book: IncidentBook) -> None:
    """Keep what an open incident explains with it, while the windows still count its traces."""
    explained = [cluster for cluster in clusters if any(case.explained_by is not None for case in cluster.cases)]
    by_subject = _by_subject(clusters) if explained else {}
    for cluster in explained:
        staying = []
        for case in cluster.cases:
            wide = _explainer_of(case, by_subject, book)
            if case.explained_by is None or wide is cluster:
                staying.append(case)
            elif wide is not None and wide.cases:
                wide.explained.append(case)
            # Without that cluster its incident closes in this very pass, and this case is settled with it.
        cluster.cases = staying


def _stays_in_another(case: Raised, cluster: Cluster, by_subject: dict[Slot, Cluster], book: IncidentBook) -> bool:
    """Whether another cluster of this pass keeps a case of this one explained."""
    wide = _explainer_of(case, by_subject, book)
    return wide is not None and wide is not cluster


def explain_by_earlier(ctx: RuleContext, clusters: list[Cluster], waiting: Sequence[Incident]) -> None:
    """Let an incident that was open before a restart explain cases until its own fault is found again."""
    for incident in waiting:
        for case in (case for cluster in clusters for case in cluster.cases if case.explained_by is None):
            universes = [ctx.universe_name(row) for row in case.finding.universes]
            if may_explain(incident, case.rule, case.finding.cause, universes, names_of(ctx, (case.finding,))):
                case.explained_by = incident.id


def _is_true_by_itself(wide: Cluster, case: Raised) -> bool:
    """Whether a case holds now and does not only count what happened before the wider fault ended."""
    if case.leaves_traces or wide.rule.explains.by_its_end:
        return False
    return case.holds and wide.rule.rule_class is not RuleClass.SELF


def explain_cases(ctx: RuleContext, clusters: list[Cluster], book: IncidentBook) -> list[Cluster]:
    """Move cases that a wider cluster explains into its `explained`. The clusters are changed in place.

    Wider faults go first, by the rank that their rules declare.
    """
    if len(clusters) < 2:
        return clusters
    wide_ones = sorted(
        (cluster for cluster in clusters if cluster.rule.explains.reaches),
        key=lambda cluster: cluster.rule.explains.rank,
    )
    # Two faults must not explain each other: both would be hidden, and come and go.
    bound = {id(cluster): _incidents_over(cluster, book) for cluster in wide_ones}
    among = _Among(ctx)
    by_subject = _by_subject(clusters)
    for wide in wide_ones:
        # What stays part of another fault has no incident of its own, in which it could show what it explains.
        if wide.cases and all(_stays_in_another(case, wide, by_subject, book) for case in wide.cases):
            continue
        for reach in wide.rule.explains.reaches:
            if wide.cases and (not reach.causes or wide.cause in reach.causes):
                _take(ctx, wide, reach, _free(clusters, bound[id(wide)]), among)
        for part in _absent_parts(wide):
            free = _free([one for one in clusters if one is not wide], bound[id(wide)])
            for reach in (reach for reach in part.rule.explains.reaches if reach.nearness == explain.UNIVERSE):
                _take(ctx, part, reach, free, among)
            wide.explained.extend(part.explained)
    return clusters


def _free(clusters: list[Cluster], bound: set[Slot]) -> list[Cluster]:
    return [one for one in clusters if subject_of(one.rule.name, one.group) not in bound] if bound else clusters


def _absent_parts(wide: Cluster) -> list[Cluster]:
    """Absences of sources that are part of a loss of universes: they explain what their own incident would."""
    by_rule: dict[str, list[Raised]] = {}
    for case in wide.explained:
        if case.rule.name in ABSENT and wide.rule.name in GONE:
            by_rule.setdefault(case.rule.name, []).append(case)
    return [Cluster(cases[0].rule, wide.group, cases, accepted=wide.accepted) for cases in by_rule.values()]


@dataclass(frozen=True, slots=True)
class Extent:
    """What the cases of a wide fault are about: names of sources, rows of universes, networks, names of fixtures and
    of groups, and universes on any network."""

    names: set[str]
    universes: set[int]
    networks: set[int]
    fixtures: set[str]
    groups: set[str]
    ids: set[UniverseId]

    @classmethod
    def of(cls, ctx: RuleContext, cases: Sequence[Raised]) -> Extent:
        findings = [case.finding for case in cases]
        universes = {row for finding in findings for row in finding.universes}
        return cls(
            names_of(ctx, findings),
            universes,
            {network for finding in findings for network in finding.networks},
            {name for finding in findings for name in finding.fixtures},
            {finding.group for finding in findings},
            ctx.universe_ids(universes) if len(ctx.house.networks) > 1 else set(),
        )


class _Among:
    """What each cluster and each case is about: needed for many wide faults, worked out once, and only if asked for."""

    def __init__(self, ctx: RuleContext) -> None:
        self._ctx = ctx
        self._names: dict[int, frozenset[str]] = {}
        self._names_of_rows: dict[frozenset[int], frozenset[str]] = {}
        """By rows of the source table: thousands of cases are about the same few."""
        self._of_clusters: dict[tuple[int, str], Collection[object]] = {}

    def names_of(self, case: Raised) -> frozenset[str]:
        """Give the names of the sources that a case is about."""
        names = self._names.get(id(case))
        if names is None:
            finding = case.finding
            rows = frozenset((*finding.sources, *map(self._ctx.source_of, finding.streams)))
            of_rows = self._names_of_rows.get(rows)
            if of_rows is None:
                of_rows = frozenset(map(self._ctx.source_name, self._ctx.whole_sources(rows)))
                self._names_of_rows[rows] = of_rows
            names = self._names[id(case)] = of_rows.union(finding.source_names) if finding.source_names else of_rows
        return names

    def ids_of(self, case: Raised) -> set[UniverseId]:
        """Give the universes that a case is about, on whatever network."""
        return self._ctx.universe_ids(case.finding.universes)

    def may_be_near(self, cluster: Cluster, nearness: str, extent: Extent) -> bool:
        """Whether a case of a cluster may lie so near to this: False if surely none does."""
        if not cluster.cases:
            return False
        apart = False
        if nearness in (explain.UNIVERSE, explain.STREAM):
            apart = extent.universes.isdisjoint(self._all(cluster, "universes", lambda case: case.finding.universes))
        if nearness in (explain.SOURCE, explain.STREAM):
            apart = apart or extent.names.isdisjoint(self._all(cluster, "names", self.names_of))
        if nearness == explain.FIXTURE:
            apart = extent.fixtures.isdisjoint(self._all(cluster, "fixtures", lambda case: case.finding.fixtures))
        return not apart

    def _all(self, cluster: Cluster, what: str, of: Callable[[Raised], Collection[T]]) -> Collection[T]:
        """Give what all cases of a cluster were about when this was asked first; it may lose cases after that."""
        if len(cluster.cases) == 1:
            return of(cluster.cases[0])
        key = id(cluster), what
        if key not in self._of_clusters:
            self._of_clusters[key] = set().union(*map(of, cluster.cases))
        return self._of_clusters[key]  # type: ignore[return-value]


def _is_missed(ctx: RuleContext, case: Raised) -> bool:
    """Whether a lost universe has fixtures, and its end was not announced."""
    patched = ctx.once(_patched)
    return any(not ctx.terminated[row] and ctx.universe_id(row) in patched for row in case.finding.universes)


def _patched(ctx: RuleContext) -> frozenset[UniverseId]:
    return frozenset(one.universe for one in ctx.house.fixtures)


@dataclass(frozen=True, slots=True)
class _Breadth:
    """What a wide fault covers, and when. Worked out once: both sides may have thousands of cases."""

    every: Extent
    lasting: Extent
    """Of what is not over. What is over explains what it left in the windows, but nothing that holds now."""
    over: set[int]
    """Rows of universes of which all is over."""
    ended_ns: int
    """When all of it was over; 0: some of it lasts."""
    earliest_ns: int | None
    """When it began; None where it may explain what was there before it."""

    @classmethod
    def of(cls, ctx: RuleContext, wide: Cluster) -> _Breadth:
        every = Extent.of(ctx, wide.cases)
        now = [case for case in wide.cases if case.holds]
        lasting = every if len(now) == len(wide.cases) else Extent.of(ctx, now)
        ended_ns = 0 if now else max((case.last_true_ns for case in wide.cases), default=0)
        earliest_ns = wide.since_ns if wide.rule.explains.begins_at_a_moment else None
        return cls(every, lasting, every.universes - lasting.universes, ended_ns, earliest_ns)


def _take(ctx: RuleContext, wide: Cluster, reach: explain.Reach, clusters: Iterable[Cluster], among: _Among) -> None:
    breadth = _Breadth.of(ctx, wide)
    for other in clusters:
        if (
            other is wide
            or not reach.covers(other.rule.name, other.rule.effects)
            or not among.may_be_near(other, reach.nearness, breadth.every)
        ):
            continue
        is_same_rule = other.rule is wide.rule
        if is_same_rule and bool(other.accepted) is not bool(wide.accepted):
            continue  # what is accepted by name, and what is not, stay two
        # A source that announced the end of some streams did not announce that of others.
        announced = is_same_rule and wide.cause == "stream-terminated"
        staying = []
        for case in other.cases:
            if _explains(wide, breadth, reach, case, among) and not (announced and _is_missed(ctx, case)):
                wide.explained.append(case)
            else:
                staying.append(case)
        if not staying and other.cases:
            wide.explained.extend(other.explained)
            other.explained = []
        other.cases = staying


def _explains(wide: Cluster, breadth: _Breadth, reach: explain.Reach, case: Raised, among: _Among) -> bool:
    if reach.only and case.finding.cause not in reach.only:
        return False
    is_by_itself = _is_true_by_itself(wide, case)
    if is_by_itself and not breadth.over.isdisjoint(case.finding.universes):
        return False
    # An exception of some universes says nothing of the source's others.
    if wide.accepted and breadth.every.universes and not set(case.finding.universes) <= breadth.every.universes:
        return False
    if not case.leaves_traces:
        # A case that began with its end or after it is a separate fault, unless only a window still counts it.
        lasted_ns = breadth.ended_ns - LET_GO_NS
        if breadth.ended_ns and not wide.rule.explains.by_its_end and case.finding.since_ns >= lasted_ns:
            return False
        # A stream that was silent for a whole loss timeout before this listener was at fault is not explained by it.
        is_own = wide.rule.rule_class is RuleClass.SELF
        if is_own and breadth.earliest_ns is not None and case.came_ns < breadth.earliest_ns:
            return False
    if reach.nearness == explain.RETURNED:
        returned = wide.verdict.returned_as if wide.verdict is not None else frozenset()
        if not case.finding.streams or not returned.issuperset(case.finding.streams):
            return False
    extent = breadth.lasting if is_by_itself else breadth.every
    return _is_near(among, case, reach.nearness, extent) and _in_time(case, breadth.earliest_ns)


def _is_near(among: _Among, case: Raised, nearness: str, extent: Extent) -> bool:
    finding = case.finding
    if nearness in (explain.ANYWHERE, explain.RETURNED):
        return True
    if nearness == explain.NETWORK:
        is_there = bool(finding.networks) and set(finding.networks) <= extent.networks
        return is_there and not finding.on_any_network
    if nearness == explain.GROUP:
        return finding.group in extent.groups
    if nearness == explain.FIXTURE:
        return bool(finding.fixtures) and set(finding.fixtures) <= extent.fixtures
    if nearness == explain.ELSEWHERE:
        return bool(finding.universes) and among.ids_of(case) <= extent.ids
    on_universes = bool(finding.universes) and set(finding.universes) <= extent.universes
    if nearness == explain.UNIVERSE:
        return on_universes
    of_sources = not extent.names.isdisjoint(among.names_of(case))
    if nearness == explain.SOURCE:
        # A source with a lead to each of two networks may have a fault on each.
        return of_sources and (not extent.networks or set(finding.networks) <= extent.networks)
    return of_sources and on_universes


def _in_time(case: Raised, earliest_ns: int | None) -> bool:
    """Whether what began at `earliest_ns` (None: whenever) is early enough to have made this case."""
    if earliest_ns is None or case.came_ns >= earliest_ns:
        return True
    return case.finding.since_ns >= earliest_ns - NEAR_NS
