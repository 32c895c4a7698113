"""How a rule is plugged in: a RuleBinding says when its condition holds and how to describe one case of it.

A rule is one module in `judge.rules`, found by its being there. To add one:
1. `judge/rules/<name>.py`: its parameters (a `RuleParameters`), its facts (what its sentence has placeholders for),
   its condition, its description and its row (`RULE`), whose `bind` makes the RuleBinding;
2. its tests in `tests/judge`: a row in a `cases_*.py` (just under, just over, when it closes), a row in a `moved_*.py`
   for each number of its own, and its whole sentence in `sentences.toml`;
3. its scenario in `rehearse/faults_*.py`; then `make docs` and `make rule RULE=<name>`.
What the model does not keep yet gets a column in `model.columns`, filled where the packets of a batch are counted,
and a line in `judge.model_view`, which names every column that a rule may read.

A condition is a function of a `RuleContext` that returns a mask over stream or universe rows, or a mapping whose keys
are what it is true of (a network, an address, a fixture). It runs on every pass and must be array work. A
description is a function of a `RuleContext` and one row or key that returns a `Finding`; it runs only for what is
raised. State between passes is in an object that `bind` makes; state that several rules share comes from
`RuleSetup.shared`. On-delay, off-delay, grouping, grading and the life of the incident are not the rule's business.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from typing import Never, Protocol, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.judge import blind_windows
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.flapping import MOST_OPENINGS, Flapping
from slotwatch.judge.rule import NO_FACTS, Facts, P, Rule, RuleClass
from slotwatch.snapshot import Confidence

Mask = NDArray[np.bool_]
Key = Hashable


class Cases(Protocol):
    """What a condition of KEYS returns: any mapping. Its values say since when, of a timed one."""

    def items(self) -> Iterable[tuple[Key, object]]: ...

    def __contains__(self, key: object, /) -> bool: ...

    def __len__(self) -> int: ...


T = TypeVar("T")
NANOSECONDS = 1_000_000_000

STREAMS = "streams"
UNIVERSES = "universes"
KEYS = "keys"

TICK_NS = 50_000_000
EVERY_SECOND_NS = NANOSECONDS
SLOW_NS = 100_000_000
"""Windows move in buckets of 100 ms, so what reads them gains nothing by running more often."""
CROWD = 100
"""With so many raised cases more each is described anew by another period later: nobody reads thousands a second."""
OVER_NS = NANOSECONDS
"""A condition that was false for less may only have been passed through; common practice, no source."""
MOST_RAISED_AT_ONCE = 250
"""Cases of one watch that a pass describes for the first time; the next pass goes on. Packets wait meanwhile."""


@dataclass(slots=True)
class Finding:
    """One case of one rule, described. Rows are rows of the model's tables at this moment."""

    group: str
    """Cases of one rule with the same group are one incident: a source, a universe, a network …"""
    since_ns: int
    """When it began on the wire; 0: when the condition began to hold."""
    universes: tuple[int, ...] = ()
    """Rows of the universe table."""
    streams: tuple[int, ...] = ()
    """Rows of the stream table that it is about (their sources are named)."""
    sources: tuple[int, ...] = ()
    """Rows of Model.sources, where no stream names them."""
    source_names: tuple[str, ...] = ()
    """Names that are declared but have no row (never heard)."""
    networks: tuple[int, ...] = ()
    fixtures: tuple[str, ...] = ()
    facts: Facts = NO_FACTS
    """What the rule's own placeholders are filled with."""
    evidence: tuple[str, ...] = ()
    lower: int = 0
    """Steps below the rule's severity; -1: one above."""
    quiet_until_ns: int = 0
    """A note until then, whatever its severity."""
    cause: str = ""
    confidence: Confidence = Confidence.CERTAIN
    also_possible: tuple[str, ...] = ()
    still_working: tuple[str, ...] = ()
    next_checks: tuple[str, ...] = ()
    """Shown before the rule's own."""
    weight: float = 0.0
    """Of the cases in one incident the heaviest speaks for all."""


def finding_of(
    ctx: RuleContext,
    row: int,
    *,
    since_ns: int,
    facts: Facts = NO_FACTS,
    evidence: tuple[str, ...] = (),
    lower: int = 0,
    cause: str = "",
    confidence: Confidence = Confidence.CERTAIN,
    also_possible: tuple[str, ...] = (),
    next_checks: tuple[str, ...] = (),
    weight: float = 0.0,
) -> Finding:
    """Make a finding about one stream: grouped by its source, on its universe and network."""
    return Finding(
        group=f"source:{ctx.source_name(ctx.source_of(row))}",
        since_ns=since_ns,
        universes=(ctx.universe_of(row),),
        streams=(row,),
        networks=(int(ctx.streams.network[row]),),
        facts=facts,
        evidence=evidence,
        lower=lower,
        cause=cause,
        confidence=confidence,
        also_possible=also_possible,
        next_checks=next_checks,
        weight=weight,
    )


class RuleSetup:
    """What rules make their bindings of: the declared house, and state that several rules share."""

    def __init__(self, house: House, rules: Iterable[Rule]) -> None:
        self.house = house
        self._parameters = [rule.parameters for rule in rules]
        self._shared: dict[Callable[[House], object], object] = {}

    def parameters(self, kind: type[P]) -> P:
        """Give the numbers of another rule, by their class; KeyError if no rule has such."""
        found = next((one for one in self._parameters if isinstance(one, kind)), None)
        if found is None:
            raise KeyError(kind.__name__)
        return found

    def shared(self, make: Callable[[House], T]) -> T:
        """Give the one object of a kind that all rules of this house share; the first to ask makes it."""
        if make not in self._shared:
            self._shared[make] = make(self.house)
        return self._shared[make]  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class RuleBinding:
    """A rule's condition and description, and how often it is looked at."""

    over: str
    """STREAMS, UNIVERSES or KEYS."""
    condition: Callable[[RuleContext], Mask | Cases]
    """Returns a Mask over the rows (shorter is fine), or Cases for KEYS."""
    describe: Callable[[RuleContext, Never], Finding]
    """Takes a row, or one of the condition's keys."""
    every_ns: int = SLOW_NS
    on_delay_s: float | None = None
    """Where the condition itself looks back over a time, 0; None: the rule's parameter."""
    blind_window_s: float = 0.0
    """Window over which it counts: nothing new is raised while a moment that was not judged lies in it."""
    timed: bool = False
    """Of KEYS: the mapping's values say since when the condition has held."""
    refresh_s: float | None = 1.0
    """How often a raised case is described anew while its condition holds; None: never."""
    turned_ns: Callable[[RuleContext, Never], int] | None = None
    """When a condition that has just become true did so on the wire; taken between the last look and this one."""
    began_ns: Callable[[RuleContext, Never], int] | None = None
    """Of what looks back over a window: the last good frame before it. Asked once, when a case is raised."""
    is_wary: Callable[[RuleContext], bool] | None = None
    """Whether the condition is on its way to hold, or remembers what only close looks show. Asked after a pass."""


@dataclass(slots=True)
class Raised:
    """One case that has outlasted its on-delay and not yet its off-delay."""

    rule: Rule
    key: Key
    finding: Finding
    raised_ns: int
    last_true_ns: int
    described_ns: int
    holds: bool = True
    edges: deque[int] = field(default_factory=lambda: deque(maxlen=MOST_OPENINGS))
    """Times at which the condition came back after having gone for a second or more, the first included."""
    told_in: int | None = None
    """Incident that it is one of the cases of, or was."""
    explained_by: int | None = None
    """Incident that accounts for it."""
    stays_explained: bool = False
    """Whether the end of that incident's fault made it, so that it holds long after."""
    over: bool = False
    """Whether its fault is over and only its off-delay runs: of an absence at once, else after a second."""
    leaves_traces: bool = False
    """Whether its rule counts over a window, and so still holds for a while after its fault is over."""
    flapping: Flapping = field(default_factory=Flapping)

    def is_flapping(self, now_ns: int) -> bool:
        """Whether it opened so often and has not been quiet for long enough since."""
        return self.flapping.lasts(self.edges, now_ns)


class RuleState:
    """A RuleBinding with its memory: what is pending, what is raised."""

    def __init__(self, rule: Rule, binding: RuleBinding, flapping: Flapping) -> None:
        self.rule = rule
        self.binding = binding
        on_delay_s = rule.on_delay_s if binding.on_delay_s is None else binding.on_delay_s
        self._on_ns = int(on_delay_s * NANOSECONDS)
        self._off_ns = int(self.rule.off_delay_s * NANOSECONDS)
        self._is_of_absence = Effect.ABSENCE in rule.effects
        self._flapping = flapping
        # They take what the binding's own condition gives, and get nothing else.
        self._describe_one = cast("Callable[[RuleContext, Key], Finding]", binding.describe)
        self._turned_ns = cast("Callable[[RuleContext, Key], int] | None", binding.turned_ns)
        self._began_ns = cast("Callable[[RuleContext, Key], int] | None", binding.began_ns)
        self._due_ns = 0
        self._pending: dict[Key, int] = {}
        self._rows: NDArray[np.intp] = np.zeros(0, np.intp)
        self._looked_ns = 0
        self._last_look_ns = self._before_ns = 0
        self._refresh_due_ns = self._refresh_ns = 0
        self.raised: dict[Key, Raised] = {}

    def make_due(self) -> None:
        """Look again in the next pass."""
        self._due_ns = 0

    def is_under_way(self, ctx: RuleContext) -> bool:
        """Whether an on-delay or an off-delay runs, or the condition itself is wary."""
        if self._pending or (self.binding.is_wary is not None and self.binding.is_wary(ctx)):
            return True
        return not all(raised.holds for raised in self.raised.values())

    def look(self, ctx: RuleContext) -> bool:
        """Judge one pass. True if a case was raised, cleared, came back or was described anew."""
        if ctx.now_ns < self._due_ns:
            return False
        self._due_ns = ctx.now_ns - ctx.now_ns % self.binding.every_ns + self.binding.every_ns
        self._before_ns, self._last_look_ns = self._last_look_ns, ctx.now_ns
        found = self.binding.condition(ctx)
        deaf = blind_windows.is_counted(self.binding.blind_window_s, ctx.listener.marked_until_ns, ctx.now_ns)
        if not isinstance(found, np.ndarray):
            found = blind_windows.without(found, self.raised) if deaf else found
            return self._update(ctx, found) if found or self.raised or self._pending else False
        rows = found.nonzero()[0]  # a third of the time of flatnonzero, 40 times a pass
        if deaf:
            rows = rows[np.isin(rows, [key[0] for key in self.raised])]  # type: ignore[index]
        if ctx.crowd.since_ns and len(rows):
            rows = self._without_crowd(ctx, rows)
        if not len(rows) and not self.raised:
            self._pending.clear()
            return False
        if self._is_steady(ctx, rows):
            self._looked_ns = ctx.now_ns
            return False
        births = ctx.births(self.binding.over)
        return self._update(ctx, {(row, births[row]): row for row in rows.tolist()})

    def _without_crowd(self, ctx: RuleContext, rows: NDArray[np.intp]) -> NDArray[np.intp]:
        """Of these rows those that are not a crowd's, or raised already."""
        if self.binding.over == UNIVERSES:
            crowds = ctx.crowd.has_universes(ctx, rows)
        else:
            crowds = ctx.crowd.has_streams(ctx, rows, spares_declared=self.rule.rule_class is RuleClass.CONTROL)
        if not crowds.any():
            return rows
        return rows[~crowds | np.isin(rows, [key[0] for key in self.raised])]  # type: ignore[index]

    def _is_steady(self, ctx: RuleContext, rows: NDArray[np.intp]) -> bool:
        """Whether nothing can have changed: then thousands of cases cost one comparison."""
        steady = not self._pending and ctx.now_ns < self._refresh_due_ns and np.array_equal(rows, self._rows)
        self._rows = rows
        return steady and all(raised.holds for raised in self.raised.values())

    def _update(self, ctx: RuleContext, true_keys: Cases) -> bool:
        now_ns = ctx.now_ns
        for raised in self.raised.values():
            if raised.holds:
                raised.last_true_ns = self._looked_ns
        self._looked_ns = now_ns
        self._refresh_ns = int((self.binding.refresh_s or 1.0) * (1 + len(self.raised) // CROWD) * NANOSECONDS)
        self._refresh_due_ns = now_ns + self._refresh_ns
        pending = {
            key: self._pending.get(key) or self._true_since_ns(ctx, key, since_ns)
            for key, since_ns in true_keys.items()
            if key not in self.raised
        }
        due = [key for key, since_ns in pending.items() if self._has_lasted(ctx, since_ns)]
        changed = bool(due)
        for key in due if self.binding.refresh_s is None else due[:MOST_RAISED_AT_ONCE]:
            self.raised[key] = self._raise(ctx, key, pending[key])
        self._pending = {key: since_ns for key, since_ns in pending.items() if key not in self.raised}
        for key in list(self.raised):
            changed |= self._carry_on(ctx, self.raised[key], key in true_keys)
        return changed

    def _has_lasted(self, ctx: RuleContext, since_ns: int) -> bool:
        """Whether the on-delay is over, without the moments in which this computer itself did not listen."""
        lasted_ns = ctx.now_ns - since_ns
        if lasted_ns < self._on_ns or not self._on_ns or self.rule.rule_class is RuleClass.SELF:
            return lasted_ns >= self._on_ns
        return lasted_ns - ctx.listener.stalled_ns(since_ns, ctx.now_ns) >= self._on_ns

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
        raised = Raised(self.rule, key, finding, ctx.now_ns, ctx.now_ns, ctx.now_ns)
        raised.flapping = self._flapping
        raised.leaves_traces = self.binding.blind_window_s > 0
        raised.edges.append(ctx.now_ns)
        return raised

    def _describe(self, ctx: RuleContext, key: Key) -> Finding:
        return self._describe_one(ctx, self._subject(key))

    def _subject(self, key: Key) -> Key:
        return key if self.binding.over == KEYS else key[0]  # type: ignore[index]

    def _carry_on(self, ctx: RuleContext, raised: Raised, holds: bool) -> bool:
        now_ns = ctx.now_ns
        if not holds:
            gone_ns = now_ns - raised.last_true_ns
            over = self._is_of_absence or gone_ns >= OVER_NS
            changed = raised.holds or over is not raised.over
            raised.holds, raised.over = False, over
            # Thousands that return together wait here for seconds: whether one flaps is asked only when it is due.
            if gone_ns < self._off_ns or (raised.is_flapping(now_ns) and gone_ns < self._flapping.off_ns):
                return changed
            del self.raised[raised.key]
            return True
        came_back = not raised.holds
        if came_back and now_ns - raised.last_true_ns >= NANOSECONDS:
            raised.edges.append(now_ns)
        raised.holds, raised.over, raised.last_true_ns = True, False, now_ns
        stale = self.binding.refresh_s is not None and now_ns - raised.described_ns >= self._refresh_ns
        if came_back or stale:
            since_ns = raised.finding.since_ns
            raised.finding = self._describe(ctx, raised.key)
            raised.finding.since_ns = raised.finding.since_ns or since_ns
            raised.described_ns = now_ns
            return True
        return False
