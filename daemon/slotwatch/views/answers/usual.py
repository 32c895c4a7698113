"""What is usual for a universe of this house."""

from __future__ import annotations

from typing import Annotated, TypedDict

from msgspec import Meta

from slotwatch.views.answers.words import Count, Moment, SourceKey, UniverseName, one_of


class UsualFigureAnswer(TypedDict):
    """One figure over shows."""

    median: float
    mad: Annotated[float, Meta(ge=0, description="Median absolute deviation, not scaled.")]
    lowest: float
    highest: float
    shows: Annotated[int, Meta(ge=1, description="So many shows have this figure.")]


class ShowFiguresAnswer(TypedDict):
    """One show on one universe. Null: too little of it moved, or the show is older than this figure."""

    refresh_hz: Annotated[float, Meta(description="Mean of its minutes, rests among them.")]
    longest_gap_ms: float
    missing_percent: float
    sources: float
    active_percent: Annotated[float, Meta(description="Share of its minutes in which levels moved.")]
    moving_hz: Annotated[float | None, Meta(description="Of the source in control, while it moves.")]
    interval_p50_ms: float | None
    interval_p95_ms: float | None
    interval_p99_ms: float | None
    sustained_hz: Annotated[float | None, Meta(description="The worst five minutes in a row: the highest of them.")]
    sustained_p99_ms: Annotated[float | None, Meta(description="The worst five minutes in a row: the lowest of them.")]
    sustained_missing_percent: float | None


class LeftOutShowAnswer(TypedDict):
    """A show that does not count."""

    since: Moment
    until: Moment
    reason: Annotated[str, one_of("incident", "too-short", "before-change", "other-source")]


class RestartedAnswer(TypedDict):
    """Earlier shows do not count any more."""

    at: Moment
    why: str


class RestartedUniverseAnswer(RestartedAnswer):
    """What is usual for one universe of a list."""

    universe: UniverseName


class TrendAnswer(TypedDict):
    """What grows worse from show to show, and will reach the limit of a warning within 10 shows."""

    universe: UniverseName
    figure: Annotated[str, one_of("interval_p99_ms", "moving_hz", "missing_percent")]
    text: str
    found_at: Annotated[Moment, Meta(description="End of the show after which it was found.")]
    limit: float
    values: Annotated[list[float], Meta(description="Of the shows it was found in, oldest first.")]
    slope: Annotated[float, Meta(description="A show (Theil, Sen).")]
    p_value: Annotated[float, Meta(ge=0, le=1, description="Two-sided (Mann, Kendall).")]


class UsualAnswer(TypedDict):
    """What is usual for a universe: figures of this house's own shows."""

    universe: UniverseName
    shows: Annotated[Count, Meta(description="So many shows count.")]
    fewest_shows: Annotated[int, Meta(description="With fewer there are no figures.")]
    method: str
    source: Annotated[SourceKey | None, Meta(description="Whose pace it is: in control in these shows.")]
    figures: Annotated[dict[str, UsualFigureAnswer], Meta(description="By name; empty while too few shows count.")]
    by_source: Annotated[dict[str, dict[str, UsualFigureAnswer]], Meta(description="The same of each source.")]
    tonight: Annotated[ShowFiguresAnswer | None, Meta(description="The show that runs; null if none does.")]
    restarted: Annotated[RestartedAnswer | None, Meta(description="Null: shows count since the history began.")]
    grows_worse: list[TrendAnswer]
    left_out: list[LeftOutShowAnswer]


class HouseUsualAnswer(TypedDict):
    """What is usual for the whole house."""

    shows: Count
    fewest_shows: int
    figures: Annotated[
        dict[str, UsualFigureAnswer], Meta(description="`incidents`, `overruns` and `not_judged_s` of a show.")
    ]
    grows_worse: list[TrendAnswer]
    restarted: list[RestartedUniverseAnswer]
