"""What the last assembly worked out, for the next one where nothing that it was made from has changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from slotwatch.durations import NEVER_NS

if TYPE_CHECKING:
    from slotwatch.judge.cluster import Cluster
    from slotwatch.judge.context import RuleContext
    from slotwatch.judge.drafts import IncidentDraft
    from slotwatch.judge.loss_group import LossGroup
    from slotwatch.judge.raised import Raised
    from slotwatch.judge.verdict import Verdict

Standing = tuple[object, ...]


class LastAssembly:
    """Causes of loss groups, and drafts of clusters. Kept only where it is known how long they hold."""

    def __init__(self) -> None:
        self._revision: int | None = None
        """Facts that they were made from."""
        self._until_ns = NEVER_NS
        """Until when time alone changes nothing in them."""
        self._causes: dict[int, tuple[Standing, Verdict]] = {}
        self._drafts: dict[Standing, IncidentDraft] = {}

    def begin(self, ctx: RuleContext, *, cases_changed: bool) -> None:
        """Begin another assembly. cases_changed: whether a case changed since the last one."""
        is_known = ctx.revision is not None and self._revision == ctx.revision
        if cases_changed or not is_known or ctx.at_ns >= self._until_ns:
            self._revision, self._until_ns = ctx.revision, NEVER_NS
            self._causes.clear()
            self._drafts.clear()

    def holds_until_ns(self, until_ns: int) -> int:
        """Until when all that is kept holds. until_ns: until when what was worked out since `begin` does."""
        self._until_ns = min(self._until_ns, until_ns)
        return self._until_ns

    def cause(self, ctx: RuleContext, group: LossGroup, find: Callable[[], Verdict]) -> Verdict:
        """Give the cause of a group: as it was found before, or by `find`."""
        if ctx.revision is None:
            return find()
        standing = _of_group(group)
        known = self._causes.get(group.id)
        if known is not None and known[0] == standing:
            verdict = known[1].copy()
            verdict.settle(ctx.at_ns)
            return verdict
        verdict = find()
        self._causes[group.id] = standing, verdict.copy()
        return verdict

    def draft(self, ctx: RuleContext, cluster: Cluster, give: Callable[[], IncidentDraft]) -> IncidentDraft:
        """Give what a cluster says: as it was said before, or by `give`."""
        if ctx.revision is None:
            return give()
        standing = _of_cluster(cluster)
        draft = self._drafts.get(standing)
        if draft is None:
            draft = self._drafts[standing] = give()
        draft.held_ns = max(ctx.at_ns if case.holds else case.last_true_ns for case in cluster.cases)
        return draft


def _of_group(group: LossGroup) -> Standing:
    members = tuple((name, _of_case(case)) for name, case in group.members.items())
    span = (group.kind, group.from_ns, group.to_ns, group.spread_ns)
    return (*span, members, frozenset(group.streams), frozenset(group.apart_from), frozenset(group.apart_sources))


def _of_cluster(cluster: Cluster) -> Standing:
    verdict = cluster.verdict
    words: Standing = ()
    if verdict is not None:
        lists = (verdict.evidence, verdict.also_possible, verdict.still_working, verdict.next_checks)
        own = (
            verdict.cause,
            verdict.confidence,
            verdict.sentence,
            verdict.as_found,
            verdict.since_then,
            verdict.repeats,
        )
        words = (*own, *map(tuple, lists))
    return (
        cluster.rule.name,
        cluster.group,
        tuple(map(_of_case, cluster.cases)),
        tuple(map(_of_case, cluster.explained)),
        words,
        cluster.accepted,
        cluster.earlier_began_ns,
        cluster.together_ns,
    )


def _of_case(case: Raised) -> Standing:
    """What may change of a case while it counts as unchanged. It is the same object while it is raised."""
    return (id(case), case.holds, case.over, case.described_ns, len(case.edges), *case.visits)
