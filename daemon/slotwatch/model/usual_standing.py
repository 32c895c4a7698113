"""Which shows count for one universe now, what is usual over them, and what grows worse."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from slotwatch.house.schema import DeclaredUniverse, House
from slotwatch.model.cadence import UNEVEN_FACTOR, UNEVEN_FLOOR_US
from slotwatch.model.trend import SHOWS, WITHIN_SHOWS, Trend, trend_of
from slotwatch.model.usual import FEWEST_SHOWS, MOST_SHOWS, KeptShow, Start, Usual, usual_figures
from slotwatch.wire.observation import UsualFigure, UsualOfUniverse

OTHER_SOURCE = "another source is in control"
INCIDENT, TOO_SHORT, BEFORE, OTHER = "incident", "too-short", "before-change", "other-source"
"""Why a show does not count."""
RATE_RATIO, P99_FRAMES, LOSS_PERCENT = 0.25, 2.0, 0.2
"""Differences that matter: of the rate, in frames of the 99th percentile, of missing frames. Common practice, no
source."""
LOSS_LIMIT_PERCENT = 1.0
"""Where `packet-loss` warns."""
_PARTS = {
    "universe": "its declaration changed",
    "sources": "its declared sources changed",
    "patch": "the patch changed",
}


@dataclass(frozen=True, slots=True)
class Standing:
    """What is usual on one universe."""

    universe: str
    counted: tuple[KeptShow, ...] = ()
    """Newest first, at most MOST_SHOWS."""
    left_out: tuple[tuple[KeptShow, str], ...] = ()
    """And why; newest first."""
    figures: dict[str, Usual] = field(default_factory=dict)
    by_source: dict[str, dict[str, Usual]] = field(default_factory=dict)
    restarted_ms: int = 0
    """Since when shows count; 0: always."""
    restarted_why: str = ""

    @property
    def source(self) -> str:
        """Whose pace this is; empty: not known."""
        return self.counted[0].show.source if self.counted and self.counted[0].show else ""


@dataclass(frozen=True, slots=True)
class GrowsWorse:
    """A figure of one universe that grows worse from show to show."""

    universe: str
    figure: str
    trend: Trend
    limit: float
    shows_left: float
    values: tuple[float, ...]
    """Oldest first."""


def declared_as(house: House, declared: DeclaredUniverse | None) -> str:
    """Write down what a universe is declared as: a word for each part whose change begins its figures again.

    Names and labels may change: they change nothing on the wire.
    """
    if declared is None:
        return ""
    sources = [one for one in house.sources if one.name in declared.sources]
    fixtures = [one for one in house.fixtures if one.universe == declared.id]
    parts = {
        "universe": [declared.id, declared.networks, declared.shared],
        "sources": sorted(
            repr((one.cid, one.address, one.other_addresses, one.role, one.standby, one.priority)) for one in sources
        ),
        "patch": sorted((one.address, one.slots) for one in fixtures),
    }
    return " ".join(f"{name}={hashlib.sha256(repr(part).encode()).hexdigest()[:16]}" for name, part in parts.items())


def why_changed(before: str, now: str) -> str:
    """Say which part of what was declared is another."""
    old = dict(word.split("=", 1) for word in before.split() if "=" in word)
    new = dict(word.split("=", 1) for word in now.split() if "=" in word)
    changed = [text for name, text in _PARTS.items() if old.get(name) != new.get(name)]
    return " and ".join(changed) if old and new else "its declaration changed"


def standing_of(universe: str, shows: Iterable[KeptShow], start: Start | None) -> Standing:
    """Choose the shows that count, newest first, and say what is usual over them.

    shows: newest first. A show counts while the same source was in control as in the newest: what another one sends
    says nothing of this one.
    """
    counted: list[KeptShow] = []
    left_out: list[tuple[KeptShow, str]] = []
    source, changed_ms = "", 0
    for row in shows:
        if len(counted) == MOST_SHOWS:
            break
        if start is not None and row.since_ms < start.since_ms:
            left_out.append((row, BEFORE))
        elif changed_ms:
            left_out.append((row, OTHER))
        elif row.reason or row.show is None:
            left_out.append((row, row.reason or TOO_SHORT))
        elif source and row.show.source and row.show.source != source:
            changed_ms = row.until_ms
            left_out.append((row, OTHER))
        else:
            source = source or row.show.source
            counted.append(row)
    held = [row.show for row in counted if row.show is not None]
    names = {name for show in held for name in show.by_source or {}}
    of_sources = {
        name: usual_figures([show.by_source[name] for show in held if show.by_source and name in show.by_source])
        for name in sorted(names)
    }
    restarted_ms, why = (start.since_ms, start.why) if start is not None and start.why else (0, "")
    if changed_ms > restarted_ms:
        restarted_ms, why = changed_ms, OTHER_SOURCE
    return Standing(
        universe,
        tuple(counted),
        tuple(left_out),
        usual_figures([show.figures for show in held]),
        {name: figures for name, figures in of_sources.items() if figures},
        restarted_ms,
        why,
    )


def growing_worse(standing: Standing, min_refresh_hz: float) -> list[GrowsWorse]:
    """Give the figures that grow worse and reach the limit of a warning within WITHIN_SHOWS shows.

    A rise is only shown if it is certain, and if over these shows it is more than a difference that matters.
    """
    shows = standing.counted[:SHOWS][::-1]
    found = []
    p50_ms = standing.figures["interval_p50_ms"].median if "interval_p50_ms" in standing.figures else 0.0
    rate_hz = standing.figures["moving_hz"].median if "moving_hz" in standing.figures else 0.0
    limits = {
        "moving_hz": (min_refresh_hz, RATE_RATIO * rate_hz),
        "interval_p99_ms": (max(UNEVEN_FLOOR_US / 1000, UNEVEN_FACTOR * p50_ms), P99_FRAMES * p50_ms),
        "missing_percent": (LOSS_LIMIT_PERCENT, LOSS_PERCENT),
    }
    for figure, (limit, matters) in limits.items():
        values = _values(shows, figure)
        if len(values) < SHOWS:
            continue
        trend = trend_of(values)
        left = trend.shows_to(limit)
        worse = trend.slope < 0 if figure == "moving_hz" else trend.slope > 0
        if not (worse and trend.is_certain and abs(trend.last - trend.first) >= matters):
            continue
        if left is not None and left <= WITHIN_SHOWS:
            found.append(GrowsWorse(standing.universe, figure, trend, limit, left, tuple(values)))
    return found


def _values(shows: Sequence[KeptShow], figure: str) -> list[float]:
    held = [getattr(row.show.figures, figure) for row in shows if row.show is not None]
    return [value for value in held if value is not None]


def usual_of(standing: Standing) -> UsualOfUniverse | None:
    """What judging gets of a universe; None while too few shows count, or their source is not known."""
    if not is_enough(standing) or not standing.source:
        return None
    names = ("sustained_hz", "sustained_p99_ms", "sustained_missing_percent", "interval_p50_ms")
    figures = [standing.figures.get(name) for name in names]
    made = [
        None if one is None else UsualFigure(one.median, one.mad, one.lowest, one.highest, one.shows) for one in figures
    ]
    return UsualOfUniverse(standing.universe, standing.source, *made)


def is_enough(standing: Standing) -> bool:
    """Whether enough shows count."""
    return len(standing.counted) >= FEWEST_SHOWS
