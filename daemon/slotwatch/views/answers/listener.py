"""This listener's own health: what it counted and could not use, its links, and what does not get through."""

from __future__ import annotations

from typing import Annotated, TypedDict

from msgspec import Meta

from slotwatch.views.answers.words import Count, Moment


class HealthAnswer(TypedDict):
    """One part of the program."""

    ok: bool
    text: Annotated[str, Meta(description="What is wrong, in whole sentences; empty if nothing is.")]


class HistoryHealthAnswer(HealthAnswer, total=False):
    """The history; path and odd_rows are absent while its own follower has failed."""

    path: str
    odd_rows: Annotated[Count, Meta(description="Rows that cannot be used and are left out.")]


class AlertmanagerHealthAnswer(HealthAnswer, total=False):
    """Alertmanager."""

    open: Annotated[Count, Meta(description="Alerts that are open.")]


class NoticeReceiverAnswer(HealthAnswer):
    """One recipient of messages. Counts are since the program was started."""

    name: str
    kind: Annotated[str, Meta(description="apprise or webhook.")]
    waiting: Annotated[Count, Meta(description="Messages in the queue.")]
    sent_at: Moment | None
    sent: Count
    failed: Annotated[Count, Meta(description="Tries, not messages.")]
    given_up: Annotated[Count, Meta(description="Messages that were tried for 24 h.")]
    dropped: Annotated[Count, Meta(description="Messages that left a full queue.")]


class NotificationsHealthAnswer(HealthAnswer, total=False):
    """Messages to people and programs."""

    receivers: list[NoticeReceiverAnswer]


class HeartbeatHealthAnswer(HealthAnswer, total=False):
    """The heartbeat."""

    sent: Count
    failed: Count


class LinkAnswer(TypedDict):
    """The card of a network."""

    interface: str
    up: Annotated[bool, Meta(description="Whether it has a carrier and an address.")]
    addresses: list[str]
    speed_mbps: int | None
    switch_port: Annotated[str, Meta(description="Where its lead ends, heard by LLDP.")]


class QuerierAnswer(TypedDict):
    """The multicast querier of a network."""

    watched: Annotated[bool, Meta(description="Whether this program may hear it.")]
    reason: Annotated[str, Meta(description="Why not.")]
    address: str
    version: str
    silent_s: float | None


class ClockStepAnswer(TypedDict):
    """The computer's clock was set."""

    at: Moment
    step_ns: int


class NotJudgedAnswer(TypedDict):
    """A time in which this listener could not judge."""

    start_at: Moment | None
    end_at: Moment | None
    network: Annotated[str, Meta(description="Empty: all.")]
    reason: str


class LineHealthAnswer(TypedDict):
    """A tapped serial line. Counts are since receiving was started."""

    number: int
    path: str
    open: bool
    trouble: str
    faults: Count
    breaks: Count
    dropped_frames: Count
    reopened: Count


class AskedFixtureAnswer(TypedDict, total=False):
    """A device that answered, or a patched fixture for which no device answers."""

    verdict: Annotated[
        str,
        Meta(description="right, wrong-address, wrong-mode, unknown, silent, not-asked-yet, no-slots or missing."),
    ]
    uid: Annotated[str, Meta(description="As E1.20 writes it.")]
    gateway: str
    universe: str
    label: str
    address: int | None
    footprint: int | None
    personality: str | None
    sensor: int | None
    refused: Annotated[list[str], Meta(description="Parameters that it does not answer.")]
    fixture: str | None
    patched_address: int | None


class AskingAnswer(TypedDict, total=False):
    """A window in which fixtures are asked, or the one before."""

    running: bool
    trouble: Annotated[str, Meta(description="Why no window was opened.")]
    ends_in_s: float
    ends_at: Moment | None
    stopped: Annotated[str, Meta(description="Why it was ended early; else empty.")]
    requests: Count
    rows: list[AskedFixtureAnswer]


class NodeAnswer(TypedDict):
    """This program as an Art-Net node."""

    replies: Count
    pages: Annotated[Count, Meta(description="Replies to one poll.")]
    waiting: Annotated[bool, Meta(description="Whether it answers no poll before a phase without an audience.")]


class ListenerHealthAnswer(TypedDict, total=False):
    """Own health. A part that the house file does not ask for is absent."""

    routes_own_packets: Count
    routes_refused_packets: Count
    routes_discarded_packets: Count
    routes_skipped_packets: Count
    routes_unsent_packets: Count
    node_unanswered_polls: Count
    lines_dropped_frames: Count
    serial_ports_reopened: Count
    page_dropped_streams: Count
    kernel_drops: Annotated[Count, Meta(description="Packets that the kernel dropped before they were read.")]
    rows_lost: Annotated[Count, Meta(description="Packets that were overwritten before they were judged.")]
    damaged_packets: Annotated[Count, Meta(description="Packets that arrived with a wrong checksum.")]
    joins: Annotated[Count, Meta(description="Multicast groups that are joined.")]
    joins_failed: Count
    links: Annotated[dict[str, LinkAnswer], Meta(description="By network.")]
    queriers: Annotated[dict[str, QuerierAnswer], Meta(description="By network.")]
    clock_steps: list[ClockStepAnswer]
    not_judged: list[NotJudgedAnswer]
    receive_buffer_bytes: Annotated[dict[str, int], Meta(description="By protocol.")]
    lines: Annotated[list[LineHealthAnswer], Meta(description="Tapped serial lines.")]
    asking: Annotated[AskingAnswer, Meta(description="Whether fixtures are being asked.")]
    node: NodeAnswer
    intake_silent_s: float
    recorder: Annotated[str, Meta(description="Why packets around incidents are not written; else empty.")]
    captures_failed: Count
    snapshot_cost_ms: float
    intake_compiled: Annotated[bool, Meta(description="Whether sockets are read by compiled code; else by numpy.")]
    judging_compiled: Annotated[bool, Meta(description="Whether packets are judged by compiled code; else by numpy.")]
    resumption: HealthAnswer
    history: HistoryHealthAnswer
    references: HealthAnswer
    alertmanager: AlertmanagerHealthAnswer
    mqtt: HealthAnswer
    elsewhere: Annotated[HealthAnswer, Meta(description="Other listeners of this house.")]
    switches: HealthAnswer
    notifications: NotificationsHealthAnswer
    heartbeat: HeartbeatHealthAnswer
    judging: HealthAnswer
    page: HealthAnswer
    listeners: Annotated[Count, Meta(description="Pages that follow the stream of events.")]
    trouble: Annotated[list[str], Meta(description="The sentences of all parts that fail.")]
