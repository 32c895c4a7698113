"""The show report: one value from which JSON, HTML and CSV are written."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct

from slotwatch.views.answers.faults import IncidentAnswer, MarkAnswer
from slotwatch.views.answers.usual import TrendAnswer
from slotwatch.views.answers.words import Count, Moment, UniverseName


class PhaseAt(Struct, frozen=True):
    """When the house went into a phase."""

    at: Moment
    phase: str


class NotJudgedInterval(Struct, frozen=True, rename={"since": "from", "until": "to"}):
    """A time in which faults of this listener itself left nothing to judge."""

    since: Moment
    until: Annotated[Moment | None, Meta(description="Null while it lasts.")]
    network: Annotated[str, Meta(description="Empty: all of them.")]
    reason: str


class MinuteCells(Struct, frozen=True, array_like=True):
    """One minute of a universe, as an array in this order."""

    at: Moment
    frames: Count
    refresh_hz: Annotated[float | None, Meta(description="Frames a second of all its sources together.")]
    worst_gap_ms: float | None
    lost_frames: Count
    sources: Count
    state: Annotated[str, Meta(description="The worst of the minute.")]
    not_judged_s: float
    moving_hz: Annotated[float | None, Meta(description="Of the source in control; null where it rested.")] = None
    interval_p50_ms: float | None = None
    interval_p95_ms: float | None = None
    interval_p99_ms: float | None = None


class UniverseMinutes(Struct, frozen=True):
    """What a universe's minutes amount to."""

    universe: UniverseName
    label: str
    minutes: Count
    frames: Count
    lost_frames: Count
    refresh_hz: Annotated[float | None, Meta(description="Frames a second of all its sources together.")]
    worst_gap_ms: float
    worst_minute_at: Moment | None
    worst_state: str
    state_minutes: dict[str, int]
    not_judged_s: float
    interval_p99_ms: Annotated[float | None, Meta(description="Of this show, once it has ended; see `usual`.")] = None
    usual: Annotated[str, Meta(description="What was usual before, in a few words.")] = ""


class WorstUniverse(Struct, frozen=True):
    """The minutes of one of the worst universes."""

    universe: UniverseName
    label: str
    rows: list[MinuteCells]


class ShowReport(Struct, frozen=True):
    """What was seen of a house from one moment to another."""

    house: str
    time_zone: str
    version: str
    generated_at: Moment
    since: Moment
    until: Moment
    span: Annotated[str, Meta(description="What this span is, where it was not asked for; else empty.")]
    summary: str
    phases: list[PhaseAt]
    incidents: list[IncidentAnswer]
    marks: list[MarkAnswer]
    not_judged: list[NotJudgedInterval]
    universes: list[UniverseMinutes]
    grows_worse: Annotated[list[TrendAnswer], Meta(description="Found after this show.")]
    worst: list[WorstUniverse]
