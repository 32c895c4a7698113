"""A universe is worse for five minutes than it was in any of this house's own shows."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import MINUTE_NS
from slotwatch.judge.binding import EVERY_SECOND_NS, UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.parameters import Facts, RuleParameters, Threshold, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.universes import RECENT_MINUTES
from slotwatch.model.usual import FEWEST_SHOWS, MOST_SHOWS
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.observation import UsualFigure, UsualOfUniverse

ROBUST = "F. R. Hampel, 1974 (median and MAD); the limit: common practice, no source"
LEAST = 1e-3
"""Used instead of zero where a ratio is taken."""


@dataclass(frozen=True, slots=True)
class UnlikeUsualParameters(RuleParameters):
    off_delay_s: float = number(60.0, "time that its condition must be gone before the incident closes")
    mads: int = number(5, "distance from the median, in median absolute deviations", ROBUST)
    rate_ratio: float = number(0.25, "share of the usual rate by which it must be slower")
    late_frames: float = number(2.0, "usual intervals by which the 99th percentile must be longer")
    missing_percent: float = number(0.2, "percentage points by which the share of missing frames must be worse")


@dataclass(frozen=True, slots=True)
class UnlikeUsualFacts(Facts):
    tonight: str
    shows: int
    usual: str


@dataclass(slots=True)
class UsualLimits:
    """Where each universe row leaves what is usual, (U,); NaN: that is not known."""

    rate_hz: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    p99_ms: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    missing_percent: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    rows: dict[int, UsualOfUniverse] = field(default_factory=dict)


class Usually:
    """What is usual, for each row of the universe table."""

    def __init__(self, p: UnlikeUsualParameters) -> None:
        self._p = p
        self._limits = UsualLimits()
        self._of: tuple[int, int, int] | None = None

    def is_unlike(self, ctx: RuleContext) -> Mask:
        """(U,) rows of which every recent minute is outside, with the same source in control."""
        none: Mask = np.zeros(ctx.universes.count, np.bool_)
        if not ctx.listener.usual:
            return none
        limits, universes = self._laid(ctx), ctx.universes
        found: Mask = universes.used & (universes.recent_minutes >= RECENT_MINUTES)
        found &= (
            (universes.recent_hz.max(axis=1) < limits.rate_hz)
            | (universes.recent_p99_ms.min(axis=1) > limits.p99_ms)
            | (universes.recent_missing_percent.min(axis=1) > limits.missing_percent)
        )
        for row in found.nonzero()[0].tolist():
            found[row] = _in_control(ctx, row) == limits.rows[row].source
        return found

    def describe(self, ctx: RuleContext, row: int) -> Finding:
        limits, universes = self._laid(ctx), ctx.universes
        facts, evidence, weight = _words(ctx, row, limits)
        stream = int(universes.winner[row])
        declared = ctx.declared_universe(row)
        return Finding(
            group=f"source:{ctx.source_name(ctx.source_of(stream))}" if stream >= 0 else f"universe:{row}",
            since_ns=ctx.now_ns - RECENT_MINUTES * MINUTE_NS,
            universes=(row,),
            streams=(stream,) if stream >= 0 else (),
            networks=(int(universes.network[row]),),
            facts=facts,
            evidence=evidence,
            # Before a show it is a warning where it would matter, which `judge.phases` lets through then alone.
            lower=-1 if declared is not None and declared.expected else 0,
            confidence=Confidence.HIGH,
            also_possible=("something was changed on purpose that the house file does not say",),
            weight=weight,
        )

    def _laid(self, ctx: RuleContext) -> UsualLimits:
        """Work the limits out again when the usual figures or the table change."""
        of = ctx.listener.usual_since_ns, ctx.model.universes.revision, ctx.universes.count
        if self._of == of:
            return self._limits
        count = ctx.universes.count
        limits = UsualLimits(np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan))
        several = len(ctx.house.networks) > 1
        for row in ctx.universes.used.nonzero()[0].tolist():
            one = ctx.listener.usual.get(ctx.model.universes.written(row, several))
            if one is None:
                continue
            limits.rows[row] = one
            limits.rate_hz[row], limits.p99_ms[row], limits.missing_percent[row] = limits_of(one, self._p)
        self._of, self._limits = of, limits
        return limits


def limits_of(one: UsualOfUniverse, p: UnlikeUsualParameters) -> tuple[float, float, float]:
    """Give the rate in Hz under which, and the percentile in ms and the missing percent over which it is unlike usual.

    NaN: that is not known, and nothing compares with it.
    """
    rate_hz = p99_ms = missing_percent = float("nan")
    if (rate := one.sustained_hz) is not None:
        away_hz = max(p.mads * rate.mad, p.rate_ratio * rate.median)
        rate_hz = min(rate.median - away_hz, rate.lowest)
    if one.sustained_p99_ms is not None and one.interval_p50_ms is not None:
        p99_ms = _above(one.sustained_p99_ms, p.late_frames * one.interval_p50_ms.median, p.mads)
    if one.sustained_missing_percent is not None:
        missing_percent = _above(one.sustained_missing_percent, p.missing_percent, p.mads)
    return rate_hz, p99_ms, missing_percent


def _above(usual: UsualFigure, floor: float, mads: int) -> float:
    """Over which a figure is unlike usual: by both, and over each of the shows."""
    return max(usual.median + max(mads * usual.mad, floor), usual.highest)


def _in_control(ctx: RuleContext, row: int) -> str:
    stream = int(ctx.universes.winner[row])
    return ctx.source_key(ctx.source_of(stream)) if stream >= 0 else ""


def _words(ctx: RuleContext, row: int, limits: UsualLimits) -> tuple[UnlikeUsualFacts, tuple[str, ...], float]:
    """The sentence's words of what is furthest out, and a line of evidence for each figure that is outside."""
    universes, known = ctx.universes, limits.rows.get(row)
    if known is None:
        return UnlikeUsualFacts("not as usual", 0, "otherwise"), (), 0.0
    found: list[tuple[float, UnlikeUsualFacts]] = []
    hz = float(universes.recent_hz[row].max())
    late_ms = float(universes.recent_p99_ms[row].min())
    missing = float(universes.recent_missing_percent[row].min())
    if (usual := known.sustained_p99_ms) is not None and late_ms > limits.p99_ms[row]:
        text = f"99 of 100 intervals within {late_ms:.0f} ms tonight"
        found.append((late_ms / max(usual.median, LEAST), UnlikeUsualFacts(text, usual.shows, _range(usual, "ms"))))
    if (usual := known.sustained_hz) is not None and hz < limits.rate_hz[row]:
        text = f"frames come at {hz:.1f} Hz while levels move tonight"
        found.append((usual.median / max(hz, LEAST), UnlikeUsualFacts(text, usual.shows, _range(usual, "Hz", 1))))
    if (usual := known.sustained_missing_percent) is not None and missing > limits.missing_percent[row]:
        text = f"{missing:.1f} % of the frames are missing tonight"
        found.append((1 + missing, UnlikeUsualFacts(text, usual.shows, _range(usual, "%", 1))))
    if not found:
        return UnlikeUsualFacts("as usual again tonight", known_shows(known), "the same"), (), 0.0
    found.sort(key=lambda one: -one[0])
    name = ctx.universe_name(row)
    evidence = tuple(f"{name}: {one.tonight}, {one.usual} in the last {one.shows} shows." for _, one in found)
    return found[0][1], evidence, found[0][0]


def known_shows(known: UsualOfUniverse) -> int:
    """How many shows the figures are of."""
    figures = (known.sustained_p99_ms, known.sustained_hz, known.sustained_missing_percent)
    return max((one.shows for one in figures if one is not None), default=0)


def _range(usual: UsualFigure, unit: str, digits: int = 0) -> str:
    low, high = f"{usual.lowest:.{digits}f}", f"{usual.highest:.{digits}f}"
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def is_known(ctx: RuleContext) -> bool:
    """Whether it is known of any universe what is usual."""
    return bool(ctx.listener.usual)


def bind(setup: RuleSetup, p: UnlikeUsualParameters) -> tuple[RuleBinding, ...]:
    usually = Usually(p)
    return (RuleBinding(UNIVERSES, usually.is_unlike, usually.describe, EVERY_SECOND_NS, is_known),)


RULE = Rule(
    name="unlike-usual",
    rule_class=RuleClass.FLOW,
    severity=Severity.NOTE,
    short=ShortWords("{place} unlike usual", "{n} universes unlike usual"),
    sentence="{universes}{from_sender}: {tonight}, {usual} in the last {shows} shows.",
    judged_by=judged_by(UnlikeUsualParameters(), bind),
    facts=UnlikeUsualFacts,
    effects=frozenset({Effect.STREAM_TROUBLE}),
    measured=(
        Threshold("minutes", RECENT_MINUTES, "judged minutes in a row that must all be outside"),
        Threshold("fewest_shows", FEWEST_SHOWS, "fewest shows from which the usual is known"),
        Threshold("most_shows", MOST_SHOWS, "most shows that are used, the newest first"),
    ),
    source="median and median absolute deviation: F. R. Hampel, 1974; the limits: common practice, no source",
    next_checks=(
        "Ask what was changed since the last show: a switch, a lead, a program on the desk's computer.",
        "Check whether other universes of the same source are unlike usual too.",
        "Look at this universe's page: it shows tonight's line over what is usual.",
    ),
)
