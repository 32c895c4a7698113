"""A DMX512 line does not carry what the universe says that should be on it.

A line is right while each of its slots is between the lowest and highest level that its universe had for
that slot within the last moments: a gateway may be some frames behind, and then nothing is different.
A line that does not change at all while the slots of its universe move stands still, whatever levels it is between.
A difference lasts until both are heard and agree: while one of them is not heard, whether it lasts is not known.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS, ns_from_s
from slotwatch.house.schema import House, Line
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import GROUP, Explains, Reach
from slotwatch.judge.lines import (
    CHECKS_OF_A_DISTURBED_LINE,
    CHECKS_WITHOUT_BREAKS,
    compared_row,
    is_disturbed,
    line_group,
    line_row,
)
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import CLEAR_FIRST, Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.universe import UniverseId

Levels = NDArray[np.uint8]
STILL = "still"
"""The cause of a line whose levels no longer change."""
NEVER_HEARD = "silent"
"""The cause of a line that never brought levels."""
_ALSO_SILENT = "the lead of the tap here, or its two wires exchanged"
_DISTURBED = "Bytes with framing faults come on it: they are damaged on the way, and their levels with them."
_ALSO_DIFFERENT = "the gateway merges another source that is not visible from this port"


@dataclass(frozen=True, slots=True)
class LineDiffersParameters(RuleParameters):
    on_delay_s: float = number(2.0, "time that it differs before the incident opens")
    start_s: float = number(
        10.0, "time allowed for the first frame of levels, while its universe comes and its port can be read"
    )
    level: int = number(3, "largest difference of a slot, in steps of 255, that does not count")
    behind_s: float = number(0.6, "how far behind the universe a line may run")
    history_s: float = number(2.5, "how far back a late line is still recognised")
    still_s: float = number(5.0, "time that a line stands still while its universe moves")
    moves: int = number(10, "looks in that time at which its universe moved: a gateway may leave out a short flash")


@dataclass(frozen=True, slots=True)
class LineDiffersFacts(Facts):
    line: str
    universes: str
    fault: str
    side_at_fault: str


@dataclass(slots=True)
class ComparedLine:
    """One line's last comparison, and its universe's last moments."""

    history: deque[tuple[int, Levels]] = field(default_factory=deque)
    """(time, levels) of the universe, oldest first."""
    awaited_ns: int | None = None
    """Since when its first frame could have come."""
    fault: str = ""
    evidence: tuple[str, ...] = ()
    cause: str = ""
    since_ns: int | None = None
    """Since when it has been wrong each time it was compared; None: it was right."""
    compared_ns: int = 0
    """When it was last compared."""
    moving_ns: int = 0
    """Since when its universe has moved; 0: it rests."""
    moves: int = 0
    """At how many looks it had moved since then, while no slot of the line changed."""
    changed_ns: int = 0
    """When a slot of the line last changed."""

    def judged(self, now_ns: int, is_wrong: bool) -> bool:
        """Keep what a comparison gave, and give it."""
        self.compared_ns = now_ns
        self.since_ns = None if not is_wrong else now_ns if self.since_ns is None else self.since_ns
        return is_wrong

    def stays_wrong(self, on_delay_ns: int) -> bool:
        """Whether it was wrong for so long before it could no longer be compared."""
        if self.since_ns is None or self.compared_ns - self.since_ns < on_delay_ns:
            self.since_ns = None  # what comes back begins anew
        return self.since_ns is not None


class ComparedLines:
    """What is remembered of each line, also under another house file that declares it alike."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str, UniverseId | None], ComparedLine] = {}
        """By the line's name, its port and the universe that should be on it."""

    def of(self, lines: list[Line]) -> dict[str, ComparedLine]:
        """Give the memory of each of these lines, by name, and forget all others."""
        keys = [(line.name, line.port, line.compare_with) for line in lines]
        self._kept = {key: self._kept.get(key, ComparedLine()) for key in keys}
        return {name: seen for (name, _, _), seen in self._kept.items()}


class LineComparison:
    """Compares every declared line with the universe that should be on it."""

    def __init__(self, house: House, p: LineDiffersParameters, kept: ComparedLines) -> None:
        self._lines = [line for line in house.lines if line.compare_with is not None]
        self._start_ns = ns_from_s(p.start_s)
        self._on_delay_ns = ns_from_s(p.on_delay_s)
        self._level = p.level
        self._behind_ns = ns_from_s(p.behind_s)
        self._history_ns = ns_from_s(p.history_s)
        self._still_ns, self._moves = ns_from_s(p.still_s), p.moves
        self._seen = kept.of(self._lines)

    def differing(self, ctx: RuleContext) -> dict[str, None]:
        return {line.name: None for line in self._lines if self._differs(ctx, line)}

    def is_comparing(self, ctx: RuleContext) -> bool:
        """Whether levels are compared over time: both are remembered pass by pass."""
        return any(seen.history for seen in self._seen.values())

    def describe(self, ctx: RuleContext, name: str) -> Finding:
        seen = self._seen[name]
        line = next(one for one in self._lines if one.name == name)
        universe, own = compared_row(ctx, line), line_row(ctx, line)
        rows = tuple(row for row in (universe, own) if row is not None)
        evidence, checks = seen.evidence, tuple[str, ...]()
        unheard = _say_unheard(ctx, line, universe, own)
        unlike = _say_unlike(ctx, universe) if universe is not None and seen.cause != NEVER_HEARD else ""
        if seen.cause == NEVER_HEARD and not _is_open(ctx, line):
            evidence = evidence[:1]  # what drives the line is no longer seen
        if is_disturbed(ctx, line.number) and seen.cause != NEVER_HEARD:
            evidence, checks = (*evidence, _DISTURBED), CHECKS_OF_A_DISTURBED_LINE
        elif is_disturbed(ctx, line.number) and not ctx.listener.lines[line.number].seen.breaks:
            checks = CHECKS_WITHOUT_BREAKS
        return Finding(
            group=line_group(ctx, line.number),
            since_ns=seen.awaited_ns or 0 if seen.cause == NEVER_HEARD else 0,
            universes=rows,
            facts=LineDiffersFacts(
                f"line/{name}", str(line.compare_with), seen.fault, unheard or unlike or _wrong(seen.cause)
            ),
            evidence=evidence,
            cause=seen.cause,
            confidence=Confidence.HIGH if seen.cause in (NEVER_HEARD, STILL) else Confidence.CERTAIN,
            also_possible=(_ALSO_SILENT if seen.cause == NEVER_HEARD else _ALSO_DIFFERENT,),
            still_working=() if unheard or unlike else (f"{line.compare_with} reaches this port complete",),
            next_checks=checks,
        )

    def _differs(self, ctx: RuleContext, line: Line) -> bool:
        universe, own = compared_row(ctx, line), line_row(ctx, line)
        seen = self._seen[line.name]
        if universe is not None and own is None and ctx.universes.live[universe] and _is_open(ctx, line):
            return seen.judged(ctx.now_ns, self._is_never_heard(ctx, line, universe))
        if universe is None or own is None or not ctx.universes.live[universe] or not ctx.universes.live[own]:
            seen.history.clear()  # a silence on either side has rules of its own
            seen.moving_ns = 0
            # No level of the one is right or wrong without the other.
            is_kept = seen.stays_wrong(0 if seen.cause == NEVER_HEARD else self._on_delay_ns)
            seen.awaited_ns = seen.awaited_ns if is_kept else None
            return is_kept
        levels, _ = ctx.winning(np.array([universe, own]))
        seen.history.append((ctx.now_ns, levels[0].copy()))
        while ctx.now_ns - seen.history[0][0] > self._history_ns:
            seen.history.popleft()
        slots = int(ctx.universes.slots[own])
        if self._stands_still(ctx, seen, own, levels[1, :slots]):
            since = ctx.time_of_day(seen.changed_ns)
            evidence = f"No slot of the line has changed since {since}, while slots of {line.compare_with} moved."
            return seen.judged(ctx.now_ns, self._say(seen, STILL, "it stands still while they move", evidence))
        return seen.judged(ctx.now_ns, self._compare(ctx.now_ns, seen, levels[1], slots))

    def _stands_still(self, ctx: RuleContext, seen: ComparedLine, own: int, line: Levels) -> bool:
        """Whether no slot of a line has changed for long while slots of its universe moved. A line may run behind."""
        streams, rows = ctx.streams, ctx.streams_of(own)
        changed_ns = int(max(streams.last_change_ns[rows].max(initial=0), streams.first_frame_ns[rows].max(initial=0)))
        levels = np.stack([levels[: len(line)] for _, levels in seen.history])
        moves = (levels.max(axis=0).astype(np.int16) - levels.min(axis=0) > self._level).any()
        if not moves or not seen.moving_ns or changed_ns != seen.changed_ns:
            seen.moving_ns, seen.moves = ctx.at_ns if moves else 0, 0
        seen.changed_ns = changed_ns
        # A gateway may leave out a flash of one frame each time: only what is unlike the line for longer tells.
        unlike = (np.abs(levels[-2:].astype(np.int16) - line) > self._level).any(axis=1)
        seen.moves += len(levels) > 1 and bool(unlike.all() and (levels[-1] != levels[-2]).any())
        is_long = ctx.now_ns - seen.moving_ns > self._still_ns
        return bool(moves) and is_long and seen.moves >= self._moves

    def _is_never_heard(self, ctx: RuleContext, line: Line, universe: int) -> bool:
        """Whether no frame of levels came for long on a line whose port can be read, while its universe comes."""
        seen, tapped = self._seen[line.name], ctx.listener.lines[line.number]
        if seen.awaited_ns is None:
            seen.awaited_ns = ctx.at_ns
        if int(ctx.universes.last_arrival_ns[universe]) - seen.awaited_ns < self._start_ns:
            return False
        drives = "No break came either: nothing drives the line, or the adapter here does not show breaks."
        if tapped.seen.breaks:
            drives = "Breaks are counted on it: something drives the line, and sends no levels."
        elif tapped.faults_10s:
            drives = "Bytes come on it without a break: it is no DMX512, or the adapter here does not show breaks."
        evidence = (
            f"No frame of levels came since {ctx.time_of_day(seen.awaited_ns)}, while {line.compare_with} arrived."
        )
        return self._say(
            seen,
            NEVER_HEARD,
            "no frame of levels has come on it yet",
            evidence,
            drives,
        )

    def _compare(self, now_ns: int, seen: ComparedLine, line: Levels, slots: int) -> bool:
        recent = np.stack([levels for at, levels in seen.history if now_ns - at <= self._behind_ns])
        used = np.flatnonzero(recent.max(axis=0))
        if len(used) and used[-1] >= slots:
            return self._say(
                seen,
                "short",
                f"it carries {slots} slots, the universe has levels up to slot {used[-1] + 1}",
                f"Slots {slots + 1} to {used[-1] + 1} never reach the line.",
            )
        # Between two looks a level that moves may have been further than at both: by as much as it moves from one to
        # the next.
        step = np.abs(np.diff(recent.astype(np.int16), axis=0)).max(axis=0, initial=0)
        low = recent.min(axis=0) - step - self._level
        high = recent.max(axis=0) + step + self._level
        off = ((line < low) | (line > high))[:slots]
        if not off.any():
            return False
        worst = int(np.flatnonzero(off)[0])
        compared = f"Slot {worst + 1} is at {line[worst]} on the line and at {recent[-1][worst]} in the universe"
        late_ns = self._late_ns(now_ns, seen, line, slots)
        if late_ns is not None:
            late_s = late_ns / NANOSECONDS
            return self._say(seen, "late", f"it runs {late_s:.1f} s behind", f"{compared}; the line follows late.")
        count = int(off.sum())
        differ = "one slot differs" if count == 1 else f"{count} slots differ"
        return self._say(seen, "different", differ, f"{compared}; {differ}.")

    def _late_ns(self, now_ns: int, seen: ComparedLine, line: Levels, slots: int) -> int | None:
        for at, levels in reversed(seen.history):
            if np.abs(levels[:slots].astype(np.int16) - line[:slots]).max(initial=0) <= self._level:
                return now_ns - at
        return None

    @staticmethod
    def _say(seen: ComparedLine, cause: str, fault: str, *evidence: str) -> bool:
        seen.cause, seen.fault, seen.evidence = cause, fault, evidence
        return True


def _is_open(ctx: RuleContext, line: Line) -> bool:
    """Whether the port of a line can be read, as far as is known."""
    tapped = ctx.listener.lines.get(line.number)
    return tapped is not None and tapped.seen.open


def _say_unheard(ctx: RuleContext, line: Line, universe: int | None, own: int | None) -> str:
    """Say since when a line cannot be compared, and why; empty if it can be."""
    table = ctx.universes
    if universe is not None and not table.live[universe]:
        silent, what = universe, f"{line.compare_with} is not heard."
    elif own is not None and not table.live[own]:
        silent, what = own, "no levels are heard on the line."
    elif own is None and not _is_open(ctx, line):
        return "It is not known whether this lasts: its port cannot be read."
    else:
        return ""
    since = ctx.time_of_day(int(table.last_arrival_ns[silent]))
    return f"Since {since} it is not known whether this lasts: {what}"


def _wrong(cause: str) -> str:
    if cause == STILL:
        return "The network is right; the line is not, unless its gateway merges another source."
    return f"The network is right, {'the line or the adapter here' if cause == NEVER_HEARD else 'the line'} is not."


def _say_unlike(ctx: RuleContext, universe: int) -> str:
    """Say that sources send a universe differently at the highest priority, so that a gateway may be right and unlike
    this listener; empty if none do."""
    streams = ctx.streams
    rows = [row for row in ctx.streams_of(universe).tolist() if ctx.live[row]]
    most = max((int(streams.priority[row]) for row in rows), default=0)
    rows = [row for row in rows if streams.priority[row] == most]
    if len(ctx.sources_of(rows)) < 2 or (streams.levels[rows] == streams.levels[rows[0]]).all():
        return ""
    names = wording.list_names(ctx.say_sources(sorted(ctx.sources_of(rows))))
    return f"{names} send {ctx.universe_id(universe)} differently: the gateway may merge them in another way."


def bind(setup: RuleSetup, p: LineDiffersParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("lines"):
        return ()
    lines = LineComparison(setup.house, p, setup.lasting(ComparedLines))
    return (RuleBinding(KEYS, lines.differing, lines.describe, is_wary=lines.is_comparing),)


RULE = Rule(
    name="line-differs",
    rule_class=RuleClass.LOSS,
    severity=Severity.CRITICAL,
    short=ShortWords("line differs", "{n} lines differ", look="Look at the gateway's page"),
    sentence="{line} does not carry the levels of {universes}: {fault}. {side_at_fault}",
    judged_by=judged_by(LineDiffersParameters(), bind),
    facts=LineDiffersFacts,
    explains=Explains(125, Reach(GROUP, rules=frozenset({"line-faulty"}))),
    faults=("F91", "F99"),
    next_checks=(
        "Look at the gateway's page or display: which universe is this port set to, and is it an output?",
        "Look at the lamp of that gateway port, and whether fixtures on another port of it are right.",
    ),
    next_checks_quiet=(
        f"{CLEAR_FIRST} Tap the line at the gateway itself. If it is right there, tap it further and further down.",
    ),
)
