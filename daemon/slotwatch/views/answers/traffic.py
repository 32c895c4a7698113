"""Universes, streams and sources."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypedDict

from msgspec import Meta

from slotwatch.views.answers.words import (
    Count,
    IntervalAnswer,
    Level,
    Moment,
    ProtocolWord,
    SlotNumber,
    SourceKey,
    StateWord,
    UniverseName,
    one_of,
)


class UniverseAnswer(TypedDict):
    """A universe on one network."""

    universe: UniverseName
    network: str
    label: str
    declared: bool
    expected: bool
    state: StateWord
    refresh_hz: Annotated[float | None, Meta(description="Mean over 5 s of the stream that wins.")]
    interval_ms: IntervalAnswer
    frames: Count
    lost_frames: Count
    slots: Annotated[int, Meta(ge=0, le=512)]
    priority: Annotated[int | None, Meta(description="E1.31 priority that wins.")]
    winning_source: SourceKey | None
    winning_name: str
    sources: Annotated[list[SourceKey], Meta(description="Who sends or sent it, the winner first.")]
    last_frame_at: Moment | None
    last_change_at: Moment | None
    sent_by_routes: Annotated[list[str], Meta(description="Routes of this computer that send it.")]
    incidents: Annotated[list[int], Meta(description="Numbers of its open incidents.")]


class StreamAnswer(TypedDict):
    """One source's frames on one universe on one network."""

    source: SourceKey
    name: str
    address: str
    role: str
    network: str
    state: str
    priority: int | None
    slots: Annotated[int, Meta(ge=0, le=512)]
    options: int
    sync_address: int
    slot_priority: bool
    refresh_hz: float | None
    refresh_1s_hz: float | None
    refresh_10s_hz: float | None
    changes_hz: Annotated[float | None, Meta(description="Frames a second whose levels changed, over 5 s.")]
    interval_ms: IntervalAnswer
    frames: Count
    lost_frames: Count
    discarded: Count
    repeated: Count
    preview: Count
    first_frame_at: Moment | None
    last_frame_at: Moment | None
    last_change_at: Moment | None


class StreamPositionAnswer(TypedDict):
    """The state of one stream, for another listener to compare with its own."""

    universe: UniverseName
    network: str
    source: SourceKey
    name: str
    address: str
    state: Annotated[str, one_of("live", "silent", "terminated", "preview-only")]
    sequence: Annotated[int | None, Meta(description="As last sent; null where the source does not count.")]
    frames: Count
    missing: Annotated[Count | None, Meta(description="By sequence number; null where it cannot be measured.")]
    last_frame_at: Moment | None
    last_frame_age_s: Annotated[float | None, Meta(description="By this listener's own clock.")]
    refresh_hz: float | None
    joined: Annotated[bool | None, Meta(description="Whether its group is joined (E1.31); null where there is none.")]
    judged: Annotated[bool, Meta(description="Whether silence would mean something: nothing was missed here lately.")]
    wins: Annotated[bool, Meta(description="Whether its universe's levels come from it.")]
    interval_max_ms: Annotated[float | None, Meta(description="Longest interval of its newest 512 frames.")]


class NeighbourAnswer(TypedDict):
    """The device at the other end of one of this listener's leads, as it announces itself by LLDP."""

    network: str
    switch: str
    port: str
    description: str
    chassis: str
    management_address: str | None
    vlan: int | None
    last_seen_at: Moment | None


class SwitchPortAnswer(TypedDict):
    """One port of a switch."""

    port: Annotated[str, Meta(description="As the switch calls it.")]
    description: str
    up: bool
    changed_at: Annotated[Moment | None, Meta(description="When it last went up or down; null: not while watched.")]
    changes: Annotated[Count, Meta(description="How often it did while watched, at most 32.")]
    speed_mbps: int | None
    half_duplex: bool | None
    errors: Annotated[Count | None, Meta(description="As the switch counts them; null: it does not report it.")]
    discards: Count | None
    counted: Annotated[Count, Meta(description="Errors and discarded frames since this listener began to watch.")]
    counted_show: Annotated[Count | None, Meta(description="… since the last show began; null: there was none.")]
    power: Annotated[str, Meta(description="off, searching, delivering or fault; empty: not reported.")]
    uplink: bool
    leads_to: Annotated[str | None, Meta(description="Switch at its other end.")]
    hangs: Annotated[list[str], Meta(description="Names of what is connected to it.")]
    devices: Annotated[Count, Meta(description="Device addresses that were learnt on it.")]
    matters: Annotated[bool, Meta(description="Whether the show depends on it: a declared source or receiver, a way.")]


class SwitchAnswer(TypedDict):
    """A switch of the house."""

    name: str
    address: str
    answers: bool
    reason: Annotated[str, Meta(description="Why it does not answer.")]
    last_answer_at: Moment | None
    system_name: str
    up_since: Moment | None
    restarted_at: Annotated[Moment | None, Meta(description="When it last restarted; null: not while watched.")]
    querier: str | None
    groups: Annotated[Count, Meta(description="Entries of its multicast groups, where it offers them.")]
    offers: Annotated[list[str], Meta(description="Tables that it gives: macs, neighbours, addresses, groups, power.")]
    cut: Annotated[bool, Meta(description="Whether a table was longer than what is read of one.")]
    own: Annotated[bool, Meta(description="Whether this listener is connected to it.")]
    ports: list[SwitchPortAnswer]


class NetworkAnswer(TypedDict):
    """Which switch ports this listener is on, and what the switches of the house report."""

    neighbours: list[NeighbourAnswer]
    switches: list[SwitchAnswer]


class OtherListenerAnswer(TypedDict):
    """Another listener of the house."""

    name: str
    url: str
    own_name: Annotated[str, Meta(description="What this listener is called there.")]
    reached: bool
    compared: Annotated[bool, Meta(description="Whether its last answer is new enough to be evidence.")]
    reason: str
    last_reached_at: Moment | None
    streams: Count


class PositionThereAnswer(TypedDict):
    """One stream as another listener hears it."""

    source: SourceKey
    name: str
    network: str
    state: str
    frames: Count
    missing: Count | None
    last_frame_age_s: Annotated[float | None, Meta(description="By that listener's own clock, when it was asked.")]
    refresh_hz: float | None
    judged: Annotated[bool, Meta(description="Whether silence there means something.")]
    wins: Annotated[bool, Meta(description="Whether the universe's levels come from it there.")]
    interval_max_ms: Annotated[float | None, Meta(description="Longest interval of its newest 512 frames there.")]


class ListenerPositionsAnswer(TypedDict):
    """A universe at another listener."""

    listener: str
    url: str
    reached: bool
    reason: str
    asked_at: Annotated[Moment | None, Meta(description="When its newest answer was asked for.")]
    streams: list[PositionThereAnswer]


class ElsewhereAnswer(TypedDict):
    """A universe here and there."""

    universe: UniverseName
    here: list[StreamPositionAnswer]
    there: list[ListenerPositionsAnswer]


class PatchedAnswer(TypedDict):
    """A fixture that is patched on a universe."""

    fixture: str
    label: str
    profile: str
    address: SlotNumber
    last_slot: SlotNumber
    slots: Annotated[list[str], Meta(description="Role of each slot.")]


class UniverseDetailAnswer(UniverseAnswer):
    """A universe with its levels and streams."""

    at: Moment
    streams: list[StreamAnswer]
    interval_histogram: Annotated[
        list[list[int | None]], Meta(description="[from ms, to ms, frames]; the last bin has no end.")
    ]
    fixtures: list[PatchedAnswer]
    levels: Annotated[list[Level], Meta(description="What wins, from slot 1.")]
    slot_sources: Annotated[list[SourceKey | None], Meta(description="Who wins each slot.")]
    slot_source_names: list[str]
    slot_source_keys: list[SourceKey]


class PlaceAnswer(TypedDict):
    """The switch port that a leg is connected to."""

    switch: str
    port: str
    description: str
    via: str


class LegAnswer(TypedDict):
    """What a source sends to one network."""

    network: str
    address: str
    mac: str | None
    state: str
    last_frame_at: Moment | None
    universes: list[UniverseName]
    place: PlaceAnswer | None


class SourceAnswer(TypedDict):
    """A sender."""

    source: SourceKey
    name: str
    protocol: ProtocolWord
    cid: str | None
    address: str
    other_addresses: list[str]
    network: str
    source_name: str
    declared_as: str | None
    role: str | None
    own_bridge: bool
    universes: list[UniverseName]
    live_universes: Count
    listed: Annotated[list[UniverseName] | None, Meta(description="Its discovery list; null where it sends none.")]
    listed_undeclared: Annotated[list[UniverseName], Meta(description="Of these, what no house file declares.")]
    priority: int | None
    refresh_hz: float | None
    lost_frames: Count
    odd: list[str]
    first_seen_at: Moment | None
    last_seen_at: Moment | None
    legs: list[LegAnswer]


class HistoryAnswer(TypedDict):
    """Minute summaries of a universe."""

    universe: UniverseName
    columns: list[str]
    rows: Annotated[
        list[list[str | float | None]],
        Meta(description="In the order of `columns`, oldest first."),
    ]


class ReceiverAnswer(TypedDict):
    """A declared receiver."""

    name: str
    address: str
    universes: list[UniverseName]
    on_loss: Literal["hold", "fade", "off", "preset"]
    state: Literal["answers", "silent", "not-known"]
    last_seen_at: Moment | None
    place: PlaceAnswer | None
    text: NotRequired[str]
