"""Raised cases into incidents: put together when something changed, and again while a cause may still change."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from datetime import datetime
from functools import partial

from slotwatch.durations import NANOSECONDS, NEVER_NS
from slotwatch.judge.cluster import Cluster
from slotwatch.judge.clusters import Clusterer
from slotwatch.judge.context import RuleContext
from slotwatch.judge.drafting import draft_incident
from slotwatch.judge.drafts import IncidentDraft
from slotwatch.judge.incidents import IncidentBook
from slotwatch.judge.last_assembly import LastAssembly
from slotwatch.judge.raised import Raised
from slotwatch.watched_time import TimeWatch, Watching

REFRESH_NS = NANOSECONDS // 2
"""How often an open cause is worked out again."""
CROWD = 200
"""With more cases than this incidents are put together at most twice a second: a flood may not cost the pass."""
THRONG = 2000
"""For each this many cases, assembly runs half a second later: 4,034 cases cost 35 ms."""


class Assembler:
    """Brings the book of incidents in line with the cases that are raised. Times are monotonic nanoseconds."""

    def __init__(self, book: IncidentBook) -> None:
        self.clusters: list[Cluster] = []
        """Those of the last assembly."""
        self.is_stale = False
        """Whether something changed that is not in the book yet."""
        self.is_refreshed = False
        """Whether cases were described again in the same words: then another assembly may find more."""
        self._book = book
        self._last = LastAssembly()
        self._clusterer = Clusterer(self._last)
        self._due_ns = 0
        self._assembled_ns = 0
        self._left: object = None
        """What the last assembly left behind; None if it was not asked for."""
        self._same_of: int | None = None
        """Facts of an assembly that left everything as the one before: another one would as well."""
        self._same_until_ns = 0

    @property
    def is_revising(self) -> bool:
        """Whether a cause may still change."""
        return self._clusterer.is_revising

    @property
    def is_waiting(self) -> bool:
        """Whether anything happened that no assembly has seen yet."""
        return self.is_stale or self.is_refreshed

    def holds_until_ns(self, ctx: RuleContext, paced_until_ns: int = NEVER_NS) -> int:
        """Until when assemblies leave everything as it is if nothing comes.

        paced_until_ns: from then on it does not matter to anybody when a cause becomes final.
        """
        if not self.is_revising:
            return NEVER_NS
        if not self._is_same(ctx):
            return self._due_ns
        settles_ns = self._clusterer.settles_ns
        return max(
            self._due_ns, min(self._same_until_ns, settles_ns) if settles_ns < paced_until_ns else self._same_until_ns
        )

    def follow(self, ctx: RuleContext, cases: Callable[[], Sequence[Raised]], at: datetime) -> bool:
        """Put them together if that is due; returns whether it was done. at: the time by the wall clock."""
        now_ns = ctx.now_ns
        crowd = sum(len(cluster.cases) + len(cluster.explained) for cluster in self.clusters)
        may = crowd < CROWD or now_ns >= self._assembled_ns + REFRESH_NS * (1 + crowd // THRONG)
        quiet_ns = self._book.due_ns
        self.is_stale |= quiet_ns is not None and now_ns >= quiet_ns
        is_due = self.is_revising and now_ns >= self._due_ns
        if not self.is_stale and (is_due or self.is_refreshed) and self._is_same(ctx):
            if is_due or may:
                self._note(now_ns)
                self.is_refreshed = False
            return False
        self.is_stale |= self.is_refreshed
        if not is_due and not (self.is_stale and may):
            return False
        self._last.begin(ctx, cases_changed=self.is_stale)
        self.is_stale, self.is_refreshed, self._assembled_ns = False, False, now_ns
        self._due_ns = now_ns + self._period_ns
        self._assemble(ctx, cases(), at)
        return True

    def pass_over(self, ticks_ns: Sequence[int]) -> None:
        """Take note of passes that were left out because they would have changed nothing. Times ascend."""
        if not self.is_revising:
            return
        period_ns, final_ns, due_ns, noted_ns = self._period_ns, self._clusterer.final_ns, self._due_ns, 0
        while noted_ns < final_ns and (place := bisect_left(ticks_ns, due_ns)) < len(ticks_ns):
            noted_ns = ticks_ns[place]
            due_ns = noted_ns + period_ns
        if noted_ns:
            self._note(noted_ns)

    @property
    def _period_ns(self) -> int:
        # A cause of thousands of universes is worked out less often: it costs what it costs.
        return REFRESH_NS * (1 + sum(len(one.cases) for one in self.clusters) // 100)

    def _is_same(self, ctx: RuleContext) -> bool:
        """Whether nothing that the last assembly read can have changed."""
        return ctx.revision is not None and self._same_of == ctx.revision and ctx.now_ns < self._same_until_ns

    def _note(self, now_ns: int) -> None:
        """Take note of an assembly that was left out."""
        self._assembled_ns = now_ns
        self._due_ns = now_ns + self._period_ns
        self._book.hold(now_ns)
        self._clusterer.settle(now_ns)

    def _assemble(self, ctx: RuleContext, cases: Sequence[Raised], at: datetime) -> None:
        with Watching(ctx) if ctx.revision is not None else nullcontext(TimeWatch(ctx.at_ns)) as watch:
            self.clusters = self._clusterer.cluster(ctx, cases, at, self._book)
            for cluster in self.clusters:
                lasts = not all(case.over for case in cluster.cases)
                cluster.earlier_began_ns = self._book.earlier_began_ns((cluster.rule.name, cluster.group), lasts=lasts)
            waiting = len(self._book.resumed)
            drafts = [
                self._last.draft(ctx, cluster, partial(draft_incident, ctx, cluster, at)) for cluster in self.clusters
            ]
        own = [draft.absorbs for draft in drafts]
        for draft, cluster in zip(drafts, self.clusters, strict=True):
            # A case of another incident continues in this one, unless that incident continues itself.
            numbers = dict.fromkeys(case.reported_in or 0 for case in (*cluster.cases, *cluster.explained))
            earlier = dict.fromkeys(map(self._book.key_of, numbers))
            draft.absorbs = tuple(dict.fromkeys((*draft.absorbs, *(slot for slot in earlier if slot))))
        self._book.update(drafts, ctx.now_ns)
        # What was found again is put into words once more, with its own beginning.
        self.is_stale |= len(self._book.resumed) < waiting
        for cluster in self.clusters:
            number = self._book.number_of((cluster.rule.name, cluster.group))
            for case in cluster.cases:
                # A case with its own incident is not part of the one that explained it before, which may have closed.
                case.reported_in, case.explained_by, case.stays_explained = number, None, False
            for case in cluster.explained:
                case.explained_by = number
                case.stays_explained = cluster.rule.explains.by_its_end
        for draft, slots in zip(drafts, own, strict=True):
            draft.held_ns, draft.absorbs = 0, slots
        self._compare(ctx, drafts, cases, self._last.holds_until_ns(watch.holds_until_ns))

    def _compare(
        self, ctx: RuleContext, drafts: Sequence[IncidentDraft], cases: Sequence[Raised], holds_until_ns: int
    ) -> None:
        """See whether this assembly left everything as the one before. It reads what that one left behind.

        drafts: without the time, and what they absorb because of the incidents that their cases were in.
        """
        before, self._left, self._same_of = self._left, None, None
        if ctx.revision is None:
            return
        self._left = (
            drafts,
            [(one.rule.name, one.key, one.reported_in, one.explained_by, one.stays_explained) for one in cases],
            [(one.id, one.revision, self._book.key_of(one.id)) for one in self._book.open_incidents()],
            self._book.revisions,
        )
        if before == self._left and not self._clusterer.is_letting_go:
            self._same_of, self._same_until_ns = ctx.revision, holds_until_ns
