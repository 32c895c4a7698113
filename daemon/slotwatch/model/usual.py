"""What is usual for one universe of this house: median and median absolute deviation (MAD) of its own shows.

Both have a breakdown point of one half: less than half of the shows may be odd, and the figures stay
(F. R. Hampel, 1974; cited from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from slotwatch.snapshot import MinuteRow

FEWEST_SHOWS = 5
MOST_SHOWS = 20
FEWEST_MINUTES = 10
"""A show of fewer judged minutes says little."""
METHOD = (
    "Median and median absolute deviation (MAD) of the last 20 shows without an incident on this universe, at least 5."
)


@dataclass(frozen=True, slots=True)
class ShowFigures:
    """One show on one universe."""

    refresh_hz: float
    """Mean of its minutes."""
    longest_gap_ms: float
    missing_percent: float
    sources: float
    """Most at the same time."""


@dataclass(frozen=True, slots=True)
class Usual:
    """One figure over shows."""

    median: float
    mad: float


def show_figures(minutes: Iterable[MinuteRow]) -> ShowFigures | None:
    """The figures of one show; None if too little of it was judged. Minutes that were not judged whole are left out."""
    rows = [row for row in minutes if row.frames > 0 and row.not_judged_s == 0]
    if len(rows) < FEWEST_MINUTES:
        return None
    lost = sum(row.lost_frames for row in rows)
    return ShowFigures(
        sum(row.refresh_hz for row in rows) / len(rows),
        max(row.worst_gap_ms for row in rows),
        100 * lost / (lost + sum(row.frames for row in rows)),
        max(row.sources for row in rows),
    )


def usual_of(values: Sequence[float]) -> Usual:
    """Median and MAD of some values, at least one. The MAD is not scaled to a standard deviation."""
    held = np.asarray(values, np.float64)
    median = float(np.median(held))
    return Usual(median, float(np.median(np.abs(held - median))))


def usual_figures(shows: Sequence[ShowFigures]) -> dict[str, Usual]:
    """Each figure over the shows, by its name; empty while there are fewer than FEWEST_SHOWS."""
    if len(shows) < FEWEST_SHOWS:
        return {}
    return {name: usual_of([getattr(show, name) for show in shows]) for name in ShowFigures.__slots__}
