"""Reference levels, what differs from them, and the last good levels after a loss."""

from __future__ import annotations

from typing import Annotated, NotRequired, TypedDict

from msgspec import Meta

from slotwatch.views.answers.words import Count, Level, Moment, SlotNumber, UniverseName

Percent = Annotated[float, Meta(ge=0, le=100, description="Of full scale; a 16-bit pair counts as one.")]


class AboutReferenceAnswer(TypedDict):
    """What is stored with reference levels, so that a list need not unpack them."""

    fixtures: Count
    universes: Count
    moving: Annotated[int, Meta(ge=0, description="Slots that moved around the moment; they are not compared.")]
    left_out: Annotated[list[UniverseName], Meta(description="Universes of its fixtures that did not arrive.")]
    automatic: Annotated[bool, Meta(description="Whether it was kept at curtain up by itself.")]
    bytes: Annotated[int, Meta(ge=0, description="What it takes in the history.")]


class ReferenceAnswer(AboutReferenceAnswer):
    """Reference levels, as listed."""

    name: str
    at: Moment
    by: str


class ReferenceKeptAnswer(ReferenceAnswer):
    """Reference levels that were kept."""

    stored: Annotated[bool, Meta(description="Whether it is on the disk.")]


class ReferenceDeletedAnswer(TypedDict):
    """Reference levels that were deleted."""

    name: str
    deleted: bool
    stored: Annotated[bool, Meta(description="Whether that is on the disk.")]


class RoleLevelAnswer(TypedDict):
    """A role's level."""

    role: str
    percent: Percent
    moving: bool


class FixtureLevelsAnswer(TypedDict):
    """A fixture's levels by role."""

    fixture: str
    label: str
    profile: str
    position: str
    rack: str
    universe: UniverseName
    address: SlotNumber
    levels: list[RoleLevelAnswer]
    slots: Annotated[list[Level], Meta(description="Of each of its slots, in order.")]


class ReferenceDetailAnswer(ReferenceAnswer):
    """Reference levels with every fixture."""

    caution: str
    levels: list[FixtureLevelsAnswer]


class RoleDifferenceAnswer(TypedDict):
    """A role that is not as it was."""

    role: str
    was_percent: Percent
    now_percent: Percent


class FixtureDifferenceAnswer(TypedDict):
    """A fixture that is not as it was."""

    fixture: str
    label: str
    position: str
    rack: str
    universe: Annotated[UniverseName, Meta(description="Where it is patched now.")]
    address: SlotNumber
    by_percent: Annotated[float, Meta(description="How far the worst role is off.")]
    roles: Annotated[list[RoleDifferenceAnswer], Meta(description="The worst first.")]


class DifferenceGroupAnswer(TypedDict):
    """Fixtures of one position and rack that differ."""

    position: str
    rack: str
    differences: Annotated[list[FixtureDifferenceAnswer], Meta(description="The worst first.")]


class NotComparedAnswer(TypedDict):
    """A fixture that is not compared, and why."""

    fixture: str
    reason: Annotated[str, Meta(description="`mode-changed`, `not-patched`, `no-data`, `moving` or `new`.")]
    text: str


class MovedFixtureAnswer(TypedDict):
    """A fixture that the patch moved; it is compared where it is now."""

    fixture: str
    was: str
    now: str


class ComparisonAnswer(TypedDict):
    """The present levels compared with reference levels."""

    name: str
    kept_at: Moment
    at: Moment
    tolerance_percent: float
    text: Annotated[str, Meta(description="In one sentence.")]
    caution: str
    fixtures: Annotated[int, Meta(ge=0, description="So many were compared.")]
    differ: Count
    moving: Annotated[int, Meta(ge=0, description="Channels left out because they moved when it was kept.")]
    groups: Annotated[list[DifferenceGroupAnswer], Meta(description="The worst first.")]
    not_compared: list[NotComparedAnswer]
    moved: list[MovedFixtureAnswer]
    left_out: NotRequired[Annotated[int, Meta(description="Fixtures that differ beyond those listed.")]]


class LastGoodAnswer(TypedDict):
    """The last good levels before a loss, by fixture. They are never sent anywhere."""

    caution: str
    at: Annotated[Moment | None, Meta(description="The oldest of the moments that they are of.")]
    universes: list[UniverseName]
    fixtures: list[FixtureLevelsAnswer]
    left_out: Annotated[int, Meta(ge=0, description="Fixtures beyond those listed.")]
