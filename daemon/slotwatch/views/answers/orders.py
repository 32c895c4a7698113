"""What a request's body may hold."""

from __future__ import annotations

from typing import Annotated, TypedDict

from msgspec import Meta

from slotwatch.views.answers.words import PhaseWord

Name = Annotated[str, Meta(max_length=80, description="The person who does it.")]
Text = Annotated[str, Meta(max_length=500)]


class _PhaseNeeded(TypedDict):
    phase: PhaseWord


class PhaseOrder(_PhaseNeeded, total=False):
    """Another phase."""

    confirm: Annotated[bool, Meta(description="Needed for a phase that judges less strictly.")]


class _NameNeeded(TypedDict):
    by: Name


class AcknowledgeOrder(_NameNeeded, total=False):
    """Who acknowledges an incident."""

    note: Text


class _AcceptNeeded(TypedDict):
    reason: Text
    by: Name


class AcceptOrder(_AcceptNeeded, total=False):
    """Why a fault is accepted, for how long, and by whom."""

    until: Annotated[str, Meta(max_length=80, description='"tonight" (to 06:00), a date (2027-01-31) or a time.')]


class TakeBackOrder(TypedDict, total=False):
    """The person who takes it back."""

    by: Name


class _TextNeeded(TypedDict):
    text: Text


class MarkOrder(_TextNeeded, total=False):
    """A mark at this moment."""

    by: Name


class NoticeTestOrder(TypedDict, total=False):
    """To whom a test message is sent; left out: to all."""

    name: Annotated[str, Meta(max_length=80, description="Name of the receiver.")]


class _ReferenceNeeded(TypedDict):
    name: Annotated[str, Meta(max_length=80)]


class ReferenceOrder(_ReferenceNeeded, total=False):
    """Keeps the present levels. Without universes, racks and positions: of the whole house."""

    by: Name
    universes: list[str]
    racks: list[str]
    positions: list[str]
    replace: Annotated[bool, Meta(description="Needed where the name is taken.")]


class RigCheckOrder(TypedDict, total=False):
    """Begins a rig check, or ends the one that runs."""

    stop: bool


class LampOrder(TypedDict, total=False):
    """Which lamp was changed: a circuit or a fixture."""

    circuit: str
    fixture: str


class AskOrder(TypedDict, total=False):
    """Asks fixtures for what they are (RDM, read only). Old fixtures may twitch while they are asked."""

    seconds: Annotated[float, Meta(ge=0, le=600)]
    confirm: bool
