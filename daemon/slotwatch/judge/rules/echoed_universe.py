"""A stream of a stranger whose changed frames are copies of another's, a little later.

Raised only for a declared original and a stranger. Without declared sources an echo looks like a backup that tracks its
main: both copy each frame a little later and never lead. Levels that one holds up and the other releases are not proof
either, for a backup that lost its tracking holds its last look. Only an echo through a gateway that merges by highest
level goes on to follow rises and no falls, but to see that in a show that moves takes the levels of every frame, and
the model keeps a mark of each and the newest levels. `source-conflict` reports who differs for 5 s. The bridge, which
has every frame of its inputs, finds its own echo there (`bridge.loop`).
"""

from __future__ import annotations

from collections import defaultdict, deque
from dataclasses import dataclass

import numpy as np

from slotwatch.durations import ms_from_ns, ns_from_ms, ns_from_s
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import SOURCE, UNIVERSE, Effect, Explains, Reach
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import is_any_shared
from slotwatch.judge.succession import MOST_LOOKED_AT
from slotwatch.judge.takeovers import SEVERAL, STRANGER
from slotwatch.snapshot import Confidence, Severity

MOST_COPIES = 32
"""Copied frames of one pair that are remembered."""
Echo = tuple[int, int]
"""Rows of the original and of its copy."""


@dataclass(frozen=True, slots=True)
class EchoedUniverseParameters(RuleParameters):
    on_delay_s: float = number(5.0, "time that it repeats movement before the incident opens")
    lag_ms: float = number(250.0, "longest delay of a copy")
    shortest_lag_ms: float = number(2.0, "shortest delay of a copy; a frame that comes earlier by this much is no copy")
    copies: int = number(3, "copied frames in the window")
    window_s: float = number(2.0, "time in which they are counted")


@dataclass(frozen=True, slots=True)
class EchoedUniverseFacts(Facts):
    lag: str
    effect: str


class Echoes:
    """Of each stranger beside a declared source: its frames that were copies."""

    def __init__(self, p: EchoedUniverseParameters) -> None:
        self._p = p
        self._window_ns = ns_from_s(p.window_s)
        self._shortest_ns = ns_from_ms(p.shortest_lag_ms)
        self._longest_ns = ns_from_ms(p.lag_ms)
        self._heard: dict[Echo, deque[tuple[int, int]]] = {}
        """Of (original, copy): moments and lags of copied frames."""

    def find(self, ctx: RuleContext) -> dict[Echo, None]:
        universes, streams = ctx.universes, ctx.streams
        crowded = (universes.live >= 2) & (universes.declared >= 0)
        if not np.count_nonzero(crowded):
            self._heard.clear()
            return {}
        strangers = ctx.live & crowded[streams.universe] & (ctx.stream_sources_declared < 0)
        pairs = [
            (original, copy)
            for copy in np.flatnonzero(strangers)[:MOST_LOOKED_AT].tolist()
            for original in ctx.streams_of(ctx.universe_of(copy)).tolist()
            # Where no source is declared, a tracking backup cannot be distinguished from an echo.
            if ctx.live[original] and ctx.stream_sources_declared[original] >= 0
        ]
        self._heard = {pair: self._heard.get(pair, deque(maxlen=MOST_COPIES)) for pair in pairs}
        return {pair: None for pair in pairs if self._echoes(ctx, *pair)}

    def has_pairs(self, ctx: RuleContext) -> bool:
        """Whether there is anything that may be an original and its copy."""
        return bool(self._heard)

    def _echoes(self, ctx: RuleContext, original: int, copy: int) -> bool:
        streams = ctx.streams
        if streams.priority[copy] < streams.priority[original]:
            return False
        heard = self._heard[original, copy]
        marks, times = streams.history_hash[original].tolist(), streams.history_ns[original].tolist()
        # When the original sent each look: a pulse shows every look twice, on its way up and on its way down.
        came: defaultdict[int, list[int]] = defaultdict(list)
        for mark, t_ns in zip(marks, times, strict=True):
            if t_ns:
                came[mark].append(t_ns)
        known = {t_ns for t_ns, _ in heard}
        led = False
        for mark, t_ns in zip(streams.history_hash[copy].tolist(), streams.history_ns[copy].tolist(), strict=True):
            if not t_ns or t_ns in known:
                continue
            lags = [t_ns - first_ns for first_ns in came.get(mark, ())]
            lag_ns = min((one for one in lags if -self._shortest_ns <= one <= self._longest_ns), default=None)
            if lag_ns is None:
                led |= any(one < -self._shortest_ns for one in lags)
            elif lag_ns >= self._shortest_ns:
                heard.append((t_ns, lag_ns))
        if led:
            heard.clear()
        recent = [lag_ns for t_ns, lag_ns in heard if ctx.now_ns - t_ns < self._window_ns]
        return len(recent) >= self._p.copies

    def describe(self, ctx: RuleContext, key: Echo) -> Finding:
        original, copy = key
        streams = ctx.streams
        universe = ctx.universe_of(copy)
        by, of = ctx.say_source(ctx.source_of(copy)), ctx.say_source(ctx.source_of(original))
        lag_ms = ms_from_ns(float(np.median([lag_ns for _, lag_ns in self._heard.get(key, ())] or [0])))
        effect, controlled_by, priority = "hold levels up", SEVERAL, int(streams.priority[copy])
        if priority > streams.priority[original]:
            controlled_by = STRANGER
            effect = f"are in control, at priority {priority} above {int(streams.priority[original])} of {of}"
        return Finding(
            group=f"source:{ctx.source_name(ctx.source_of(copy))}",
            since_ns=int(streams.since_ns[copy]),
            universes=(universe,),
            streams=(copy,),
            networks=(int(streams.network[copy]),),
            facts=EchoedUniverseFacts(f"{lag_ms:.0f}", effect),
            evidence=(
                f"{ctx.universe_name(universe)}: frames of {of} come again from {by} about {lag_ms:.0f} ms later, "
                "never earlier.",
            ),
            confidence=Confidence.HIGH,
            controlled_by=controlled_by,
            also_possible=("a tracking backup that the house file does not declare",),
        )


def bind(setup: RuleSetup, p: EchoedUniverseParameters) -> tuple[RuleBinding, ...]:
    echoes = Echoes(p)
    return (RuleBinding(KEYS, echoes.find, echoes.describe, subject=is_any_shared, remembers=echoes.has_pairs),)


RULE = Rule(
    name="echoed-universe",
    rule_class=RuleClass.CONTROL,
    severity=Severity.WARNING,
    short=ShortWords("{place} echoed", "{n} universes echoed", look="Look for a gateway in a loop"),
    sentence="Levels of {universes} come back from {sources} {lag} ms late: an input and an output joined "
    "in a loop {effect}.",
    judged_by=judged_by(EchoedUniverseParameters(), bind),
    facts=EchoedUniverseFacts,
    explains=Explains(
        140,
        Reach(
            UNIVERSE,
            effects=frozenset({Effect.RIVALRY}),
            rules=frozenset({"backup-in-control", "out-of-order"}),
            but=frozenset({"backup-differs"}),
        ),
        # A backup is compared with the main source alone: only one that is the echo itself differs by it.
        Reach(SOURCE, rules=frozenset({"backup-differs"})),
    ),
    faults=("F47",),
    next_checks=(
        "Look for a gateway or bridge that has an input and an output on this universe.",
        "Look at the slots that never fall while the echo sends.",
    ),
)
