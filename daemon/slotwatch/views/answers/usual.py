"""What is usual for a universe of this house."""

from __future__ import annotations

from typing import Annotated, TypedDict

from msgspec import Meta

from slotwatch.views.answers.words import Count, Moment, UniverseName


class UsualFigureAnswer(TypedDict):
    """One figure over shows."""

    median: float
    mad: Annotated[float, Meta(ge=0, description="Median absolute deviation, not scaled.")]


class ShowFiguresAnswer(TypedDict):
    """One show on one universe."""

    refresh_hz: float
    longest_gap_ms: float
    missing_percent: float
    sources: float


class LeftOutShowAnswer(TypedDict):
    """A show that does not count."""

    since: Moment
    until: Moment
    reason: Annotated[str, Meta(description="`incident` on this universe, or `too-short`.")]


class UsualAnswer(TypedDict):
    """What is usual for a universe: figures of this house's own shows."""

    universe: UniverseName
    shows: Annotated[Count, Meta(description="So many shows count.")]
    fewest_shows: Annotated[int, Meta(description="With fewer there are no figures.")]
    method: str
    figures: Annotated[dict[str, UsualFigureAnswer], Meta(description="By name; empty while too few shows count.")]
    tonight: Annotated[ShowFiguresAnswer | None, Meta(description="The show that runs; null if none does.")]
    left_out: list[LeftOutShowAnswer]
