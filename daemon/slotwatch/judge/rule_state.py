"""A rule's binding with its memory: what is pending and what is raised. `rule_ahead` knows until when that holds."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import islice
from typing import cast

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS, NEVER_NS
from slotwatch.house.schema import House
from slotwatch.judge import blind_windows
from slotwatch.judge.among import is_among
from slotwatch.judge.binding import KEYS, UNIVERSES, Cases, Finding, Key, Lasting, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.flapping import Flapping
from slotwatch.judge.last_answer import LastAnswer
from slotwatch.judge.likeness import GONE
from slotwatch.judge.looks import Looks
from slotwatch.judge.raised import Raised
from slotwatch.judge.rule import Rule, RuleClass
from slotwatch.judge.visitors import Visit, Visitors

CROWD = 100
"""For each this many raised cases, descriptions come one period further apart: nobody reads thousands a second."""
OVER_NS = NANOSECONDS
"""A condition that was false for less may only have been passed through; common practice, no source."""
MOST_RAISED_AT_ONCE = 250
"""Cases of one rule that a pass describes for the first time; the next pass continues. Packets wait meanwhile."""


class RuleState:
    """A RuleBinding with its memory: what is pending, what is raised."""

    def __init__(self, rule: Rule, binding: RuleBinding, flapping: Flapping, looks: Looks) -> None:
        """looks: of all rules that look as often."""
        self.rule = rule
        self.binding = binding
        self.subject = binding.subject
        self.looks = looks
        self._made_ns = looks.last_look_ns
        on_delay_s = rule.on_delay_s if binding.on_delay_s is None else binding.on_delay_s
        self.on_delay_ns = int(on_delay_s * NANOSECONDS)
        self.off_delay_ns = int(self.rule.off_delay_s * NANOSECONDS)
        self.is_never_wary = binding.is_wary is None
        self.is_of_absence = Effect.ABSENCE in rule.effects
        self.flapping = flapping
        # They take what the binding's own condition gives, and get nothing else.
        self._describe_one = cast("Callable[[RuleContext, Key], Finding]", binding.describe)
        self._turned_ns = cast("Callable[[RuleContext, Key], int] | None", binding.turned_ns)
        self._may_return_soon = cast("Callable[[RuleContext, Key], bool] | None", binding.may_return_soon)
        self._ended_ns = cast("Callable[[RuleContext, Key], int] | None", binding.ended_ns)
        self._began_ns = cast("Callable[[RuleContext, Key], int] | None", binding.began_ns)
        self.pending: dict[Key, int] = {}
        """Since when the condition has been true of what waits for the on-delay."""
        self._rows: NDArray[np.intp] = np.zeros(0, np.intp)
        self._was_same = False
        self._calm_until_ns = 0
        """While the same rows are true, no case changes by time alone before this."""
        self._births: list[int] = []
        """What distinguishes the rows that wait (`births`), as of the last complete look."""
        self._lasted_from_ns = 0
        """Before this nothing of what waits has lasted for the on-delay."""
        self.refresh_due_ns = self.refresh_ns = 0
        """When raised cases are described again next, and how far apart that is."""
        self._has_unheard = False
        """Whether a case is unheard."""
        self.has_visited = False
        """Whether a case stays raised because of what may have come by another network's lead."""
        self.raised: dict[Key, Raised] = {}
        self.last_answer = LastAnswer(binding)
        self.is_refreshed = False
        """Whether the last look described a case again, in the same words."""
        self.quiet_until_ns = 0
        """What `rule_ahead.holds_until_ns` gave last."""

    def take_over(self, earlier: RuleState) -> None:
        """Continue with what an earlier state of the same rule knows, under another house file."""
        self.raised, self.pending, self._made_ns = earlier.raised, earlier.pending, earlier._made_ns

    def make_due(self) -> None:
        """Ask the condition in the next pass, whatever its last answer was of."""
        self.looks.due_ns = self.quiet_until_ns = 0
        self.last_answer.forget()

    @property
    def keeps_looks(self) -> bool:
        """Whether the condition keeps something of each look."""
        return self.last_answer.keeps_looks

    @property
    def is_idle(self) -> bool:
        """Whether nothing is raised, waits or is kept, so that it is worth asking only where its subject is there."""
        return not (self.raised or self.pending or self.has_visited or self.last_answer.keeps_looks)

    @property
    def _before_ns(self) -> int:
        """When the condition was asked before this look; 0: never."""
        before_ns = self.looks.before_ns
        return before_ns if before_ns > self._made_ns else 0

    @property
    def is_undecided(self) -> bool:
        """Whether what stays raised because nobody can know may have been explained since the last look."""
        return self._has_unheard and any(
            one.is_unheard and one.explained_by is not None for one in self.raised.values()
        )

    def is_under_way(self, ctx: RuleContext) -> bool:
        """Whether an on-delay or an off-delay runs, or the condition itself is wary."""
        if self.pending or self.has_visited or (self.binding.is_wary is not None and self.binding.is_wary(ctx)):
            return True
        return not all(raised.holds for raised in self.raised.values())

    def look(self, ctx: RuleContext) -> bool:
        """Judge one pass. True if a case was raised, cleared, came back or was described again."""
        self.is_refreshed = False
        ctx.looked_ns = self._before_ns
        found = self.last_answer.ask(ctx)
        if not isinstance(found, np.ndarray):
            if found and self._is_deaf(ctx):
                found = {key: value for key, value in found.items() if key in self.raised}
            return self._update(ctx, found) if found or self.raised or self.pending else False
        rows = found.nonzero()[0]  # a third of the time of flatnonzero, 40 times a pass
        if len(rows) and self._is_deaf(ctx):
            rows = rows[is_among(rows, [key[0] for key in self.raised])]  # type: ignore[index]
        if ctx.crowd.since_ns and len(rows):
            rows = self._without_crowd(ctx, rows)
        if not len(rows) and not self.raised:
            self.pending.clear()
            self._rows = rows  # what comes back begins anew, however soon
            return False
        if self._is_steady(ctx, rows):
            return False
        births = ctx.births(self.binding.over)
        if self._only_waits(ctx, rows, births):
            return False
        changed = self._update(ctx, {(row, births[row]): row for row in rows.tolist()})
        self._births = births
        self._lasted_from_ns = min(self.pending.values(), default=0) + self.on_delay_ns
        return changed

    def _is_deaf(self, ctx: RuleContext) -> bool:
        """Whether the time over which it counts contains a moment that was not judged."""
        return blind_windows.is_counted(self.binding.blind_window_s, ctx.listener.marked_until_ns, ctx.now_ns)

    def is_quiet(self, ctx: RuleContext) -> bool:
        """Whether a look changes nothing. Asked only while the facts are those of the last `quiet_until_ns`."""
        if ctx.at_ns >= self.quiet_until_ns or self.is_undecided:
            return False
        return not self.last_answer.keeps_looks and self.last_answer.is_known

    def keep_look(self, ctx: RuleContext) -> None:
        """Have a condition that keeps something of each look keep that of its last one, which was left out.

        ctx: as of that look, or of a later pass by the same facts.
        """
        ctx.looked_ns = self._before_ns
        at_ns, ctx.now_ns, ctx.at_ns = ctx.at_ns, self.looks.last_look_ns, self.looks.last_look_ns
        self.binding.condition(ctx)
        ctx.now_ns = ctx.at_ns = at_ns

    def _without_crowd(self, ctx: RuleContext, rows: NDArray[np.intp]) -> NDArray[np.intp]:
        """The rows among these that are not a crowd's, or raised already."""
        if self.binding.over == UNIVERSES:
            crowds = ctx.crowd.has_universes(ctx, rows)
        else:
            crowds = ctx.crowd.has_streams(ctx, rows, spares_declared=self.rule.rule_class is RuleClass.CONTROL)
        if not crowds.any():
            return rows
        return rows[~crowds | is_among(rows, [key[0] for key in self.raised])]  # type: ignore[index]

    def _is_steady(self, ctx: RuleContext, rows: NDArray[np.intp]) -> bool:
        """Whether nothing can have changed: then thousands of cases cost one comparison."""
        self._was_same = np.array_equal(rows, self._rows)
        steady = (
            not self.pending
            and not (self._has_unheard or self.has_visited)
            and ctx.now_ns < self.refresh_due_ns
            and self._was_same
        )
        self._rows = rows
        return steady and ctx.now_ns < self._calm_until_ns

    def _only_waits(self, ctx: RuleContext, rows: NDArray[np.intp], births: list[int]) -> bool:
        """Whether the same rows wait as at the last look, and none of them long enough. Asked after `_is_steady`."""
        if self.raised or not self.pending or ctx.now_ns >= self._lasted_from_ns:
            return False
        return self._was_same and births == self._births

    def _update(self, ctx: RuleContext, true_keys: Cases) -> bool:
        now_ns = ctx.now_ns
        for raised in self.raised.values():
            if raised.holds:
                raised.last_true_ns = self.looks.before_ns
        self.refresh_ns = int((self.binding.refresh_s or 1.0) * (1 + len(self.raised) // CROWD) * NANOSECONDS)
        self.refresh_due_ns = now_ns + self.refresh_ns
        pending = {
            key: self.pending.get(key) or self._true_since_ns(ctx, key, since_ns)
            for key, since_ns in true_keys.items()
            if key not in self.raised
        }
        lasted = (key for key, since_ns in pending.items() if self._has_lasted(ctx, since_ns))
        due = list(islice(lasted, None if self.binding.refresh_s is None else MOST_RAISED_AT_ONCE))
        changed = bool(due)
        for key in due:
            self.raised[key] = self._raise(ctx, key, pending.pop(key))
        self.pending = pending
        may_be_stale_ns = now_ns - self.refresh_ns if self.binding.refresh_s is not None else -1
        self._has_unheard = self.has_visited = False
        visitors = Visitors(ctx)
        for key, raised in list(self.raised.items()):
            holds = key in true_keys
            if holds and raised.holds and not raised.was_visited and raised.described_ns > may_be_stale_ns:
                # Nothing else is new: so are most of thousands.
                raised.is_unheard, raised.over, raised.last_true_ns = False, False, now_ns
                continue
            raised.is_unheard = not holds and self._is_unheard(ctx, raised)
            if raised.is_unheard:
                self._has_unheard = holds = True
            elif raised.was_visited or not holds:
                visits = raised.visits
                holds |= self._is_visited(visitors, raised)
                self.has_visited |= raised.was_visited
                changed |= visits != raised.visits
            # What is wrong on one network only is over there once it arrives on another.
            if not holds and raised.holds and raised.finding.on_any_network:
                holds = raised.was_visited = visitors.has_moved(raised.finding)
                self.has_visited |= holds
            if holds and raised.holds and raised.described_ns > may_be_stale_ns:
                raised.over, raised.last_true_ns = False, now_ns
            else:
                changed |= self._carry_on(ctx, raised, holds)
        self._calm_until_ns = min(
            (self._ends_ns(raised, now_ns) for raised in self.raised.values() if not raised.holds), default=NEVER_NS
        )
        return changed

    def _ends_ns(self, raised: Raised, now_ns: int) -> int:
        """When something is next due of a case that holds no longer; at once where that is not plain."""
        ends_ns = raised.missed_ns + self.off_delay_ns
        if not raised.over:
            ends_ns = min(ends_ns, raised.last_true_ns + OVER_NS)
        return ends_ns if ends_ns > now_ns else 0

    def _is_unheard(self, ctx: RuleContext, raised: Raised) -> bool:
        """Whether an absence that has its own incident may last where this listener cannot hear."""
        if not self.is_of_absence or not raised.holds or raised.explained_by is not None:
            return False
        finding, listener = raised.finding, ctx.listener
        if not finding.networks or not all(listener.cannot_tell(one, ctx.now_ns) for one in finding.networks):
            return False
        if finding.streams:
            return not ctx.live[list(finding.streams)].any()
        return not ctx.universes.live[list(finding.universes)].any()

    def _is_visited(self, visitors: Visitors, raised: Raised) -> bool:
        """Whether an absence that has its own incident lasts, and only packets of another network arrive."""
        raised.is_visited = raised.was_visited = raised.is_mixed_up = False
        if not self.is_of_absence or not raised.holds or raised.explained_by is not None:
            return False
        visit = visitors.hold(raised.finding, of_any_source=raised.rule.name in GONE)
        raised.was_visited, raised.is_mixed_up = visit is not None, visit is Visit.SWAPPED
        raised.was_mixed_up |= raised.is_mixed_up
        raised.is_visited = visit in (Visit.NEW, Visit.SWAPPED)
        return raised.was_visited

    def _has_lasted(self, ctx: RuleContext, since_ns: int) -> bool:
        """Whether the on-delay is over, without the moments in which this computer itself did not listen."""
        lasted_ns = ctx.now_ns - since_ns
        if lasted_ns < self.on_delay_ns or not self.on_delay_ns or self.rule.rule_class is RuleClass.SELF:
            return lasted_ns >= self.on_delay_ns
        return lasted_ns - ctx.listener.stalled_ns(since_ns, ctx.now_ns) >= self.on_delay_ns

    def _true_since_ns(self, ctx: RuleContext, key: Key, since_ns: object) -> int:
        if self.binding.timed and isinstance(since_ns, int):
            return since_ns
        if self._turned_ns is None or not self._before_ns:
            return ctx.now_ns
        # At the last look it was not true yet, so it became so after that.
        return min(ctx.now_ns, max(self._before_ns, self._turned_ns(ctx, self._subject(key))))

    def _raise(self, ctx: RuleContext, key: Key, since_ns: int) -> Raised:
        finding = self._describe(ctx, key)
        if self._began_ns is not None:
            finding.since_ns = min(since_ns, self._began_ns(ctx, self._subject(key)) or since_ns)
        finding.since_ns = finding.since_ns or since_ns
        at_ns = (ctx.now_ns, ctx.now_ns, ctx.now_ns)
        raised = Raised(self.rule, key, finding, *at_ns, flapping=self.flapping)
        raised.leaves_traces = self.binding.blind_window_s > 0
        raised.came(ctx.now_ns)
        return raised

    def _describe(self, ctx: RuleContext, key: Key) -> Finding:
        finding = self._describe_one(ctx, self._subject(key))
        if self._ended_ns is not None:
            finding.last_ns = self._ended_ns(ctx, self._subject(key))
        return finding

    def _subject(self, key: Key) -> Key:
        return key if self.binding.over == KEYS else key[0]  # type: ignore[index]

    def _carry_on(self, ctx: RuleContext, raised: Raised, holds: bool) -> bool:
        now_ns = ctx.now_ns
        if not holds:
            raised.missed_ns = now_ns if raised.holds else raised.missed_ns
            gone_ns = now_ns - raised.missed_ns
            over = self.is_of_absence or now_ns - raised.last_true_ns >= OVER_NS
            changed = raised.holds or over is not raised.over
            raised.holds, raised.over = False, over
            # Thousands that return together wait here for seconds: whether one flaps is asked only when it is due.
            if gone_ns < self.off_delay_ns or (raised.is_flapping(now_ns) and gone_ns < self.flapping.off_ns):
                return changed
            if self._may_return_soon is not None and self._may_return_soon(ctx, self._subject(raised.key)):
                return changed
            del self.raised[raised.key]
            return True
        came_back = not raised.holds
        if came_back and now_ns - raised.last_true_ns >= NANOSECONDS:
            raised.came(now_ns)
        raised.holds, raised.over, raised.last_true_ns = True, False, now_ns
        stale = self.binding.refresh_s is not None and now_ns - raised.described_ns >= self.refresh_ns
        # What visitors send says nothing of what is away, nor does what comes while nothing is judged.
        if came_back or (stale and not (raised.was_visited or raised.is_unheard)):
            before, raised.finding = raised.finding, self._describe(ctx, raised.key)
            raised.finding.since_ns = raised.finding.since_ns or before.since_ns
            raised.described_ns = now_ns
            if came_back or raised.finding != before:
                return True
            self.is_refreshed = True
        return False


def all_states(
    house: House, rules: Iterable[Rule], before: Iterable[RuleState] = (), lasting: Lasting | None = None
) -> list[RuleState]:
    """Make the state of every rule's bindings for a house, in the order of the rules.

    before: states under an earlier house file; lasting: what its rules shared. A rule whose bindings read nothing of
    the house keeps its states. Of the others, what is raised and what waits is handed over.
    """
    rules, known = tuple(rules), tuple(before)
    setup = RuleSetup(house, (rule.parameters for rule in rules), lasting)
    flapping = Flapping.of(rules)
    looks = {state.looks.every_ns: state.looks for state in known}
    for one in looks.values():
        one.due_ns = 0
    found: list[RuleState] = []
    for rule in rules:
        setup.is_house_read = False
        made = [
            RuleState(rule, binding, flapping, looks.setdefault(binding.every_ns, Looks(binding.every_ns)))
            for binding in rule.judged_by.bindings(setup)
        ]
        earlier = [state for state in known if state.rule.name == rule.name]
        # A rule's states stay if the new house makes as many bindings of it.
        if len(earlier) == len(made) and not setup.is_house_read:
            made = earlier
            for state in made:
                state.make_due()
        elif len(earlier) == len(made):
            for state, former in zip(made, earlier, strict=True):
                state.take_over(former)
        found += made
    return found
