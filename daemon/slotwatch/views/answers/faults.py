"""Incidents, readiness, marks."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypedDict

from msgspec import Meta

from slotwatch.snapshot import TIMELINE_WORDS
from slotwatch.views.answers.references import LastGoodAnswer
from slotwatch.views.answers.usual import TrendAnswer
from slotwatch.views.answers.words import (
    ConfidenceWord,
    Moment,
    PhaseWord,
    SeverityWord,
    SourceKey,
    StateWord,
    UniverseName,
    one_of,
)


class ExplainedAnswer(TypedDict):
    """A rule that an incident explains, so that it is not raised separately."""

    rule: str
    universes: list[UniverseName]


class AcknowledgedAnswer(TypedDict):
    """Who acknowledged an incident."""

    by: str
    at: Moment | None
    note: str


class AcceptedAnswer(TypedDict):
    """An exception that holds."""

    reason: str
    until: Annotated[str | None, Meta(description="A date of the house file, or a moment; null if it has no end.")]
    by: Annotated[str | None, Meta(description="Who made it; null if it is in the house file.")]


class ExceptionAnswer(AcceptedAnswer):
    """An exception that holds, and what for."""

    rule: str
    universes: Annotated[list[UniverseName], Meta(description="Empty: everywhere.")]
    incident: Annotated[int | None, Meta(description="The incident it was made from; null if none.")]


class AcceptanceAnswer(TypedDict):
    """An exception that was made from an incident or taken back."""

    id: int
    accepted: AcceptedAnswer | None
    stored: Annotated[bool, Meta(description="Whether it is on the disk.")]


class TimelineAnswer(TypedDict):
    """What was known, or done, at one moment."""

    at: Moment | None
    what: Annotated[str, one_of(*TIMELINE_WORDS)]
    text: str


class UniverseElsewhereAnswer(TypedDict):
    """How one universe stood at another listener."""

    universe: UniverseName
    goes_on: bool
    last_frame_at: Annotated[Moment | None, Meta(description="By its age there, on this listener's clock.")]


class HeardElsewhereAnswer(TypedDict):
    """The state of an incident's universes at another listener of the house."""

    listener: str
    state: StateWord
    last_frame_age_s: Annotated[
        float | None, Meta(description="Of the one that is silent longest there, when its state became this.")
    ]
    url: Annotated[str | None, Meta(description="Of its page.")]
    asked_at: Moment | None
    universes: Annotated[list[UniverseElsewhereAnswer], Meta(description="One by one, 24 at most.")]


class IncidentLegAnswer(TypedDict):
    """One source of an incident on one network."""

    source: str
    network: str
    state: Literal["live", "silent", "terminated"]


class IncidentAnswer(TypedDict):
    """One fault with one cause."""

    id: int
    state: Literal["open", "closed"]
    severity: SeverityWord
    rule: str
    cause: str
    confidence: ConfidenceWord
    universes: list[UniverseName]
    sources: list[SourceKey]
    source_names: list[str]
    fixtures: list[str]
    began_at: Annotated[
        Moment | None,
        Meta(description="When it began on the wire: the last good frame. Of its newest time, if it returned."),
    ]
    opened_at: Annotated[Moment | None, Meta(description="When it was first judged a fault.")]
    closed_at: Moment | None
    returned_at: Annotated[Moment | None, Meta(description="When all of it was back; null while some of it lasts.")]
    lasted_s: Annotated[float | None, Meta(description="Length of the fault itself; null while it lasts.")]
    labels: Annotated[dict[UniverseName, str], Meta(description="Labels of its universes, of those that have one.")]
    rule_page: Annotated[str, Meta(description="Path of the page that explains the rule.")]
    summary: str
    evidence: list[str]
    explains: list[ExplainedAnswer]
    also_possible: list[str]
    still_working: list[str]
    next_checks: list[str]
    acknowledged: AcknowledgedAnswer | None
    accepted: Annotated[AcceptedAnswer | None, Meta(description="The exception that keeps it a note; null if none.")]
    controlled_by: Annotated[
        dict[str, str], Meta(description="Who controls a universe now, if not only the sources that should.")
    ]
    heard_elsewhere: list[HeardElsewhereAnswer]
    legs: Annotated[list[IncidentLegAnswer], Meta(description="Its sources on each network they were heard on.")]
    flaps: Annotated[int, Meta(ge=0, description="How often it returned.")]
    revision: Annotated[int, Meta(ge=0, description="Rises with each change.")]
    part_of: Annotated[int | None, Meta(description="The wider incident it is now part of; such parts are in no list.")]
    urgency: Annotated[list[int], Meta(description="Of open incidents the highest, number by number, is read first.")]
    timeline: NotRequired[Annotated[list[TimelineAnswer], Meta(description="Not in lists.")]]


class StoppedStreamAnswer(TypedDict):
    """A stream at the moment of failure."""

    universe: UniverseName
    source: str
    last_frame_at: Moment | None
    first_after_at: Annotated[Moment | None, Meta(description="Up to 250 ms late.")]
    stopped: bool


MomentOfFailureAnswer = TypedDict(
    "MomentOfFailureAnswer", {"from": Moment | None, "to": Moment | None, "streams": list[StoppedStreamAnswer]}
)


class IncidentDetailAnswer(IncidentAnswer):
    """One fault with all that is kept of it."""

    moment: MomentOfFailureAnswer | None
    packets: Annotated[bool, Meta(description="Whether packets around it are kept.")]
    last_good_levels: Annotated[LastGoodAnswer | None, Meta(description="After a loss; null if none are known.")]


class ReasonAnswer(TypedDict):
    """Why the house is not ready."""

    rule: str
    text: str
    universes: list[UniverseName]


class AcceptedReasonAnswer(ReasonAnswer, AcceptedAnswer):
    """What is accepted, and why."""


class ReadinessAnswer(TypedDict):
    """The half-hour call, judged as if in `show`."""

    ready: bool
    house: str
    phase: PhaseWord
    at: Moment
    reasons: list[ReasonAnswer]
    accepted: list[AcceptedReasonAnswer]
    exceptions: Annotated[list[ExceptionAnswer], Meta(description="Every exception that holds now.")]
    not_visible: list[UniverseName]
    not_judged: list[UniverseName]
    receivers_not_known: Annotated[
        list[str], Meta(description="Declared receivers of which it is not known whether they answer.")
    ]
    trouble: Annotated[
        list[str], Meta(description="What this listener cannot do now. It says nothing of whether the house is ready.")
    ]
    grows_worse: Annotated[
        list[TrendAnswer], Meta(description="Found after the last show; shown until the next one has ended.")
    ]


class MarkAnswer(TypedDict):
    """A moment that somebody marked."""

    at: Moment
    text: str
    by: str


class StoredMarkAnswer(MarkAnswer):
    """A new mark."""

    stored: Annotated[bool, Meta(description="Whether it is on the disk.")]


class AcknowledgementAnswer(TypedDict):
    """An acknowledgement that was given or taken back."""

    id: int
    acknowledged: AcknowledgedAnswer | None
    stored: Annotated[bool, Meta(description="Whether it is on the disk.")]


class RuleThresholdAnswer(TypedDict):
    """One number that a rule goes by; its unit is in its name."""

    name: str
    value: float
    text: str
    source: str


class RuleCauseAnswer(TypedDict):
    """One cause that a rule can name."""

    cause: str
    text: str


RuleAnswer = TypedDict(
    "RuleAnswer",
    {
        "rule": str,
        "page": str,
        "class": str,
        "severity": SeverityWord,
        "severity_by_phase": dict[str, SeverityWord],
        "sentence": str,
        "on_delay_s": float,
        "off_delay_s": float,
        "source": str,
        "thresholds": list[RuleThresholdAnswer],
        "causes": list[RuleCauseAnswer],
        "next_checks": list[str],
        "next_checks_quiet": list[str],
    },
)


class SlotSeriesAnswer(TypedDict):
    """Levels of one slot in equal steps; null where no frame came."""

    slot: int
    values: list[int | None]


class SourceSeriesAnswer(TypedDict):
    """The slots that moved most in what one source sent."""

    source: str
    slots: list[SlotSeriesAnswer]


LevelsAnswer = TypedDict(
    "LevelsAnswer",
    {
        "universe": str,
        "from": str | None,
        "to": str | None,
        "sources": list[SourceSeriesAnswer],
        "left_out": bool,
    },
)
