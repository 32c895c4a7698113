"""A source sends the universes of one frame far apart in time."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ms_from_ns, ns_from_ms, ns_from_s
from slotwatch.judge.binding import KEYS, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Confidence, Severity

MOST_LOOKED_AT = 64
"""Streams of one pass whose newest change is checked for being alone."""
MOST_SPREADS = 32
"""Single steps of one source that are remembered."""


@dataclass(frozen=True, slots=True)
class SkewedUniversesParameters(RuleParameters):
    frame_ms: float = number(22.676, "shortest frame of 512 slots", "ANSI E1.11 timing")
    skew_frames: float = number(1.5, "spread of one step's universes, in such frames, that still counts as one frame")
    steps: int = number(5, "single steps that were spread wider")
    window_s: float = number(60.0, "time in which they are counted")
    isolated_s: float = number(0.3, "rest before and after a change that makes it a single step")
    together_s: float = number(0.25, "longest time between the changes of one step")
    even_ms: float = number(50.0, "difference up to which two intervals count as equal: two frames at 40 Hz")
    tempo_intervals: int = number(
        4, "number of earlier intervals: steps keep a tempo if one of these equals the newest"
    )
    keep_alive_s: float = number(1.0, "longest time between frames at rest", "ANSI E1.31-2018 6.6.2")


@dataclass(frozen=True, slots=True)
class SkewedUniversesFacts(Facts):
    skew: str


class Skew:
    """Measures how far apart the universes of one source change, where all change once and rest, and at no tempo."""

    def __init__(self, p: SkewedUniversesParameters) -> None:
        self._isolated_ns = ns_from_s(p.isolated_s)
        self._together_ns = ns_from_s(p.together_s)
        self._keep_alive_ns = ns_from_s(p.keep_alive_s)
        self._window_ns = ns_from_s(p.window_s)
        self._wide_ns = ns_from_ms(p.frame_ms * p.skew_frames)
        self._even_ns = ns_from_ms(p.even_ms)
        self._tempo_intervals = p.tempo_intervals
        self._steps = p.steps
        self._spreads: dict[int, deque[tuple[int, int]]] = {}
        """Of a source row: moments of single steps and their spreads."""

    def may_be(self, ctx: RuleContext) -> bool:
        """Whether there are several streams, or steps of some are kept."""
        return ctx.live_count > 1 or bool(self._spreads)

    def find(self, ctx: RuleContext) -> dict[int, None]:
        streams, isolated_ns = ctx.streams, self._isolated_ns
        quiet_ns = ctx.now_ns - streams.last_change_ns
        settled = ctx.live & (quiet_ns > isolated_ns) & (quiet_ns < 2 * isolated_ns) & (streams.history_count >= 2)
        for source in np.unique(streams.source[settled]).tolist() if settled.any() else ():
            self._measure(ctx, source)
        if self._spreads:
            # Who has stopped sends no frame, and its row may become another's.
            sends = set(streams.source[ctx.live].tolist())
            self._spreads = {source: spreads for source, spreads in self._spreads.items() if source in sends}
        spread = self._spreads.items()
        return {source: None for source, spreads in spread if len(self._wide(ctx, spreads)) >= self._steps}

    def is_one_stepping(self, ctx: RuleContext) -> bool:
        """Whether a single step is just over: it is measured in the moment after it, or never."""
        if ctx.live_count < 2:
            return False
        streams, isolated_ns = ctx.streams, self._isolated_ns
        fresh = ctx.live & (ctx.now_ns - streams.last_change_ns < 2 * isolated_ns) & (streams.history_count >= 2)
        rows = fresh.nonzero()[0][:MOST_LOOKED_AT]
        if len(rows) < 2:
            return False
        before_ns = np.sort(streams.history_ns[rows], axis=1)[:, -2]
        return bool((streams.last_change_ns[rows] - before_ns >= isolated_ns).any())

    def _measure(self, ctx: RuleContext, source: int) -> None:
        streams = ctx.streams
        rows = ctx.streams_from(source)
        rows = rows[ctx.live[rows]]
        changes_ns = streams.last_change_ns[rows]
        newest_ns = int(changes_ns.max())
        rows = rows[changes_ns > newest_ns - self._together_ns]
        if ctx.crowd.has_any(ctx, rows.tolist()):
            return
        if len(rows) < 2 or ctx.now_ns - newest_ns < self._isolated_ns:
            return
        if newest_ns - self._keep_alive_ns < ctx.listener.marked_until_ns:
            return  # a step that this computer did not hear shows in each universe's next keep-alive
        history_ns = np.sort(streams.history_ns[rows], axis=1)
        changes_ns = streams.last_change_ns[rows]
        if (changes_ns - history_ns[:, -2] < self._isolated_ns).any():
            return
        changes_ns = changes_ns[~self._keep_tempo(history_ns)]
        if len(changes_ns) < 2:
            return
        spreads = self._spreads.setdefault(source, deque(maxlen=MOST_SPREADS))
        if not spreads or newest_ns - spreads[-1][0] > self._together_ns:
            spreads.append((newest_ns, int(changes_ns.max() - changes_ns.min())))

    def _keep_tempo(self, history_ns: NDArray[np.int64]) -> Mask:
        """Which rows of change times, in order, step at a tempo: effects do, and run apart; cues come at any time.

        An effect of several steps has several intervals, and repeats them.
        """
        intervals_ns = np.diff(history_ns, axis=1)
        before_ns, is_known = intervals_ns[:, :-1], history_ns[:, :-2] > 0
        is_even = (np.abs(before_ns - intervals_ns[:, -1:]) <= self._even_ns) & is_known
        keeps: Mask = is_even[:, -self._tempo_intervals :].any(1)
        return keeps

    def _wide(self, ctx: RuleContext, spreads: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
        """Single steps of the window that were spread wider than a frame."""
        recent = [one for one in spreads if ctx.now_ns - one[0] < self._window_ns]
        return [one for one in recent if one[1] > self._wide_ns]

    def describe(self, ctx: RuleContext, source: int) -> Finding:
        rows = [row for row in ctx.streams_from(source).tolist() if ctx.live[row]]
        wide = self._wide(ctx, self._spreads.get(source, ()))
        skew_ms = ms_from_ns(float(np.median([spread_ns for _, spread_ns in wide]))) if wide else 0.0
        return Finding(
            group=f"source:{ctx.source_name(source)}",
            since_ns=wide[0][0] if wide else 0,
            universes=tuple(sorted({ctx.universe_of(row) for row in rows})),
            sources=(source,),
            networks=tuple({int(ctx.streams.network[row]) for row in rows}),
            facts=SkewedUniversesFacts(f"{skew_ms:.0f}"),
            evidence=(f"{len(wide)} single steps in the last minute reached its universes {skew_ms:.0f} ms apart.",),
            # Effects without a tempo that run apart look the same in what is received.
            confidence=Confidence.MEDIUM,
            also_possible=("effects that change one universe after the other on purpose",),
        )


def bind(setup: RuleSetup, p: SkewedUniversesParameters) -> tuple[RuleBinding, ...]:
    skew = Skew(p)
    return (
        RuleBinding(
            KEYS, skew.find, skew.describe, subject=skew.may_be, refresh_s=p.off_delay_s, is_wary=skew.is_one_stepping
        ),
    )


RULE = Rule(
    name="skewed-universes",
    rule_class=RuleClass.FLOW,
    severity=Severity.NOTE,
    short=ShortWords("universes skewed", "{n} sources skewed", look="Look at the source's sync"),
    sentence="The universes of one frame from {sources} arrive {skew} ms apart.",
    found_after=("window_s",),
    judged_by=judged_by(SkewedUniversesParameters(), bind),
    facts=SkewedUniversesFacts,
    effects=frozenset({Effect.STREAM_TROUBLE}),
    faults=("F73",),
    may_exceed_note=False,
    next_checks=("Check whether the source can synchronise its universes, or send fewer of them.",),
)
