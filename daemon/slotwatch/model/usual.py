"""What is usual for one universe of this house: median and median absolute deviation (MAD) of its own shows.

Both have a breakdown point of one half: less than half of the shows may be odd, and the figures stay. Source: F. R.
Hampel, "The influence curve and its role in robust estimation", Journal of the American Statistical Association 69
(1974), pages 383 to 393; cited from memory. Tests compare both with SciPy (`scipy.stats.median_abs_deviation`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from slotwatch.model.universes import RECENT_MINUTES
from slotwatch.snapshot.minutes import MinuteRow, StreamMinute

FEWEST_SHOWS = 5
MOST_SHOWS = 20
FEWEST_MINUTES = 10
"""A show of fewer judged minutes says little."""
METHOD = (
    "Median and median absolute deviation (MAD) of the last 20 shows without an incident on this universe, at least 5."
)
METHOD_VERSION = 1
"""Raise it when a show's figures are computed differently: stored figures are then computed again."""


@dataclass(frozen=True, slots=True)
class SourceFigures:
    """What one source sent to one universe in one show: medians of its minutes while it moved."""

    moving_hz: float
    interval_p50_ms: float
    interval_p95_ms: float
    interval_p99_ms: float
    missing_percent: float


@dataclass(frozen=True, slots=True)
class ShowFigures:
    """One show on one universe. None: too little of it moved, or the history is older than such figures."""

    refresh_hz: float
    """Mean of its minutes, pauses included."""
    longest_gap_ms: float
    missing_percent: float
    sources: float
    """Most at the same time."""
    active_percent: float
    """Share of its minutes in which levels moved."""
    moving_hz: float | None = None
    """Of the source in control while it moves; median of its minutes, like the percentiles."""
    interval_p50_ms: float | None = None
    interval_p95_ms: float | None = None
    interval_p99_ms: float | None = None
    sustained_hz: float | None = None
    """The worst five minutes in a row: the highest rate of them."""
    sustained_p99_ms: float | None = None
    """The worst five minutes in a row: the lowest 99th percentile of them."""
    sustained_missing_percent: float | None = None


@dataclass(frozen=True, slots=True)
class Show:
    """All that is kept of one show on one universe."""

    figures: ShowFigures
    source: str = ""
    """The source that was in control for most of it; empty: not known."""
    by_source: Mapping[str, SourceFigures] | None = None


@dataclass(frozen=True, slots=True)
class HouseFigures:
    """One show of the whole house."""

    incidents: float
    overruns: float
    """Incidents of which this computer itself was the cause: it lost packets."""
    not_judged_s: float


@dataclass(frozen=True, slots=True)
class KeptShow:
    """One show on one universe as the history keeps it; the whole house is the universe without a name."""

    since_ms: int
    until_ms: int
    show: Show | None = None
    house: HouseFigures | None = None
    reason: str = ""
    """Why it does not count; empty: it does."""
    method: int = METHOD_VERSION


@dataclass(frozen=True, slots=True)
class Start:
    """From when the shows of one universe count."""

    since_ms: int
    declared: str
    """What it was declared as, in a form that can be compared (`declared_as`)."""
    why: str = ""
    """What changed then, as a sentence; empty: nothing."""


@dataclass(frozen=True, slots=True)
class Usual:
    """One figure over shows."""

    median: float
    mad: float
    lowest: float
    highest: float
    shows: int


def show_of(minutes: Iterable[MinuteRow]) -> Show | None:
    """The figures of one show; None if too little of it was judged. Minutes that were not judged whole are left out."""
    rows = [row for row in minutes if row.frames > 0 and row.not_judged_s == 0]
    if len(rows) < FEWEST_MINUTES:
        return None
    lost = sum(row.lost_frames for row in rows)
    leading = [(row.minute, one) for row in rows for one in row.streams[:1] if one.rank == 0]
    paced: dict[str, float | None] = {}
    if len(leading) >= FEWEST_MINUTES:
        own = _source_figures([one for _, one in leading])
        paced = {
            "moving_hz": own.moving_hz,
            "interval_p50_ms": own.interval_p50_ms,
            "interval_p95_ms": own.interval_p95_ms,
            "interval_p99_ms": own.interval_p99_ms,
            "sustained_hz": _sustained([(minute, one.moving_hz) for minute, one in leading], lower=True),
            "sustained_p99_ms": _sustained([(minute, one.p99_ms) for minute, one in leading]),
            "sustained_missing_percent": _sustained(
                [(minute, _missing_percent(one.lost_frames, one.frames)) for minute, one in leading]
            ),
        }
    figures = ShowFigures(
        sum(row.refresh_hz for row in rows) / len(rows),
        max(row.worst_gap_ms for row in rows),
        _missing_percent(lost, sum(row.frames for row in rows)),
        max(row.sources for row in rows),
        100 * sum(bool(row.streams) for row in rows) / len(rows),
        **paced,
    )
    by_source: dict[str, list[StreamMinute]] = {}
    for row in rows:
        for one in row.streams:
            by_source.setdefault(one.source, []).append(one)
    enough = {source: _source_figures(held) for source, held in by_source.items() if len(held) >= FEWEST_MINUTES}
    leads = Counter(one.source for _, one in leading).most_common(1)
    return Show(figures, leads[0][0] if leads else "", enough)


def _missing_percent(lost: int, frames: int) -> float:
    """Share of frames that are missing by sequence number."""
    return 100 * lost / max(1, lost + frames)


def _source_figures(held: Sequence[StreamMinute]) -> SourceFigures:
    lost, frames = sum(one.lost_frames for one in held), sum(one.frames for one in held)
    columns = [(one.moving_hz, one.p50_ms, one.p95_ms, one.p99_ms) for one in held]
    moving_hz, p50_ms, p95_ms, p99_ms = np.median(np.array(columns), axis=0).tolist()
    return SourceFigures(moving_hz, p50_ms, p95_ms, p99_ms, _missing_percent(lost, frames))


def _sustained(minutes: Sequence[tuple[int, float]], *, lower: bool = False) -> float | None:
    """The bound that its worst run of RECENT_MINUTES minutes never crosses; None without such a run."""
    sign = -1.0 if lower else 1.0
    worst: float | None = None
    run: list[float] = []
    last = 0
    for minute, value in minutes:
        run = [*run, sign * value][-RECENT_MINUTES:] if minute == last + 1 else [sign * value]
        last = minute
        if len(run) == RECENT_MINUTES:
            worst = min(run) if worst is None else max(worst, min(run))
    return None if worst is None else sign * worst


def usual_of(values: Sequence[float]) -> Usual:
    """Median and MAD of some values, at least one. The MAD is not scaled to a standard deviation."""
    held = np.asarray(values, np.float64)
    median = float(np.median(held))
    mad = float(np.median(np.abs(held - median)))
    return Usual(median, mad, float(held.min()), float(held.max()), len(held))


def usual_figures(
    shows: Sequence[ShowFigures] | Sequence[SourceFigures] | Sequence[HouseFigures],
) -> dict[str, Usual]:
    """Each figure over the shows that have it, by its name; none that fewer than FEWEST_SHOWS have."""
    found = {}
    for name in shows[0].__slots__ if shows else ():
        values = [value for show in shows if (value := getattr(show, name)) is not None]
        if len(values) >= FEWEST_SHOWS:
            found[name] = usual_of(values)
    return found
