"""This listener's own health: its links and joins, what it counted and could not use, and when it could not judge.

Times are monotonic nanoseconds. Counts are since the process that counts was started.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from slotwatch.snapshot.routes import AskingRow, NodeRow


@dataclass(frozen=True, slots=True)
class LinkRow:
    """The card of one network."""

    network: str
    interface: str
    up: bool
    """Whether it has a carrier and an address."""
    addresses: tuple[str, ...]
    speed_mbps: int | None
    switch_port: str
    """Where its lead ends, heard by LLDP; empty: not known."""


@dataclass(frozen=True, slots=True)
class QuerierRow:
    """The IGMP or MLD querier of one network."""

    network: str
    watched: bool
    """Whether queries can be heard."""
    reason: str
    """Why not."""
    address: str
    """Of the querier heard last; empty: none was heard."""
    version: str
    silent_s: float | None
    """Since its last query; None: none was heard."""


@dataclass(frozen=True, slots=True)
class ClockStepRow:
    """The wall clock was set."""

    t_ns: int
    step_ns: int


@dataclass(frozen=True, slots=True)
class NotJudgedRow:
    """An interval in which this listener could not judge."""

    start_ns: int
    end_ns: int | None
    """None: it still lasts."""
    network: str
    """Empty: all networks."""
    reason: str
    """Its word, such as `link-down` or `host-overrun`."""


@dataclass(frozen=True, slots=True)
class LineHealth:
    """A tapped DMX512 line."""

    number: int
    path: str
    """Of its serial port."""
    open: bool
    trouble: str
    """Sentence with the advice while the port cannot be used; else empty."""
    faults: int
    """Bytes with a framing error, and bytes that no frame has room for."""
    breaks: int
    received: int
    """Bytes, faulty ones among them."""
    misframed: int
    """Bytes with a framing fault."""
    dropped_frames: int
    """Frames that were dropped before they were read."""
    reopened: int


@dataclass(frozen=True, slots=True)
class IntakeReport:
    """What intake reports of itself."""

    receive_buffer_bytes: dict[str, int] = field(default_factory=dict)
    """What the kernel granted, by protocol."""
    joins: int = 0
    """Group memberships that are held now, of both address families."""
    lines: tuple[LineHealth, ...] = ()
    compiled: bool = False
    """Whether sockets are read by compiled code; else by numpy, with the same result at more CPU."""


@dataclass(frozen=True, slots=True)
class JudgingReport:
    """What the judging process reports of itself and of what feeds it."""

    intake_silent_s: float = 0.0
    """Since intake last wrote the time."""
    recorder: str = ""
    """Why packets around incidents are not written; empty: they are."""
    captures_failed: int = 0
    snapshot_cost_ms: float = 0.0
    """To make and to encode the snapshot before this one."""
    compiled: bool = False
    """Whether compiled code judges and records routine packets; else numpy."""


@dataclass(frozen=True, slots=True)
class ListenerHealth:
    """All of it. Parts that only a running daemon has are None in a replay."""

    kernel_drops: int = 0
    """Packets that the kernel dropped before they were read."""
    rows_lost: int = 0
    """Packets that were overwritten before they were judged."""
    damaged: int = 0
    """Packets that arrived with a wrong checksum and were dropped for it."""
    joins: int = 0
    joins_failed: int = 0
    links: tuple[LinkRow, ...] = ()
    queriers: tuple[QuerierRow, ...] = ()
    clock_steps: tuple[ClockStepRow, ...] = ()
    not_judged: tuple[NotJudgedRow, ...] = ()
    intake: IntakeReport | None = None
    judging: JudgingReport | None = None
    counted: dict[str, int] = field(default_factory=dict)
    """What was counted and not used, by the names of `views.counted.COUNTED`."""
    asking: AskingRow | None = None
    node: NodeRow | None = None
