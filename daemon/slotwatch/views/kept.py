"""What the history keeps as JSON: the shapes that `views.records` writes and reads. Times are on the wall clock."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from slotwatch.snapshot import LegState


class KeptAcknowledgement(TypedDict):
    """Who acknowledged an incident."""

    by: str
    at_wall_ns: int
    note: str


class KeptLeg(TypedDict):
    """One source of an incident on one network."""

    source: str
    network: str
    state: LegState


class KeptIncident(TypedDict):
    """An incident. What older records do not have is not required."""

    id: int
    rule: str
    severity: int
    cause: str
    confidence: str
    began_wall_ns: int
    opened_wall_ns: int
    closed_wall_ns: int | None
    returned_wall_ns: NotRequired[int | None]
    labels: NotRequired[dict[str, str]]
    universes: list[str]
    sources: list[str]
    source_keys: NotRequired[list[str]]
    fixtures: list[str]
    summary: str
    evidence: list[str]
    explains: list[tuple[str, list[str]]]
    also_possible: list[str]
    still_working: list[str]
    next_checks: list[str]
    acknowledged: KeptAcknowledgement | None
    timeline: list[tuple[int, str, str]]
    accepted: str
    accepted_until: NotRequired[str]
    accepted_by: NotRequired[str]
    heard_elsewhere: NotRequired[list[dict[str, object]]]
    legs: NotRequired[list[KeptLeg]]
    flaps: int
    back_ns: NotRequired[int]
    revision: int
    group: NotRequired[str]
    part_of: NotRequired[int]
    outage: NotRequired[str]
    known_as: NotRequired[str]
    settled_as: NotRequired[tuple[str, str, str]]
    controlled_by: NotRequired[dict[str, str]]
    paces_hz: NotRequired[dict[str, float]]


class KeptPhase(TypedDict):
    """The phase as it holds."""

    phase: str
    since_wall_ns: int
    pending: str
    timetable_wall_ns: int | None
    declared: NotRequired[str]
    """Phase of the house file then, which the history adds."""


class KeptRigFixture(TypedDict):
    """A fixture that a rig check has seen."""

    fixture: str
    t_ns: NotRequired[int]


class KeptRigFlag(TypedDict):
    """Fixtures that came up together."""

    fixtures: list[str]
    text: str
    t_ns: NotRequired[int]


class KeptRigCheck(TypedDict):
    """What of a rig check outlives a restart."""

    running: bool
    started_ns: int
    started_wall_ms: NotRequired[int]
    done: list[KeptRigFixture]
    no_light: NotRequired[list[KeptRigFixture]]
    flagged: list[KeptRigFlag]


class KeptLampHours(TypedDict):
    """Hours of one circuit or fixture, whose name is under its kind."""

    circuit: NotRequired[str]
    fixture: NotRequired[str]
    on_h: NotRequired[float]
    full_equivalent_h: NotRequired[float]
    switched_on: NotRequired[int]


class KeptException(TypedDict):
    """An exception that a person made from an incident."""

    incident: int
    rule: str
    universes: list[str]
    sources: list[str]
    reason: str
    by: str
    made_wall_ns: int
    until_wall_ns: int
