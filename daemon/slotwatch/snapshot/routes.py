"""What the bridge reports: each route, the window in which fixtures are asked, and this program as an Art-Net node."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LatencyCounts:
    """From a packet's arrival to its frame on the way out."""

    edges_s: tuple[float, ...]
    """Upper bounds, rising."""
    counts: tuple[int, ...]
    """One for each bound, and one more for everything longer."""
    sum_s: float


@dataclass(frozen=True, slots=True)
class LinePort:
    """The serial port that a route sends to."""

    path: str
    frames: int
    open: bool
    trouble: str
    """Sentence with the advice while the port cannot be used; else empty."""
    reopened: int


@dataclass(frozen=True, slots=True)
class RouteRow:
    """One route. Counts are since the routes process was started."""

    name: str
    source: str
    """Universe of its input, with its network where the house has several."""
    target: str
    """Where it sends, as a sentence has it: `artnet/3 at 10.20.0.41`."""
    target_network: str
    """Empty: a line."""
    state: str
    """A word of `bridge.output.RouteState`."""
    text: str
    """What it does, in whole sentences."""
    state_s: float
    """Since its state changed."""
    frames: int
    p50_ms: float | None
    """Latency of the newest frames; None: there was none."""
    p99_ms: float | None
    latency: LatencyCounts
    is_held: bool
    """Whether it repeats the last levels of an input that is gone."""
    is_all_zero: bool
    """Whether what it contributes is zero on all slots."""
    then: str
    """What follows the hold: stop | zero | hold."""
    priority: int
    input_refused_packets: int
    """Of sources past the 64 that an input merges. Routes of one input have the same number."""
    input_discarded_packets: int
    """By E1.31's sequence rule."""
    line: LinePort | None = None
    trouble: str = ""
    """Why what it sends does not arrive, in a sentence; empty: nothing is known against it."""


@dataclass(frozen=True, slots=True)
class AskedRow:
    """A device that answered, or was patched and did not, in a window of asking (E1.20)."""

    verdict: str
    """right | wrong-address | wrong-mode | unknown | silent | not-asked-yet | no-slots | missing."""
    universe: str
    uid: str = ""
    """As E1.20 writes it; empty: no device answered for a patched fixture."""
    gateway: str = ""
    label: str = ""
    address: int | None = None
    """Its start address; None: not known."""
    footprint: int | None = None
    personality: str | None = None
    """`2 of 4`."""
    sensor: int | None = None
    refused: tuple[str, ...] = ()
    """Parameters that it does not answer."""
    fixture: str | None = None
    """Name of the patched fixture."""
    patched_address: int | None = None


@dataclass(frozen=True, slots=True)
class AskingRow:
    """A window in which fixtures are asked, or the one before. Without a window only `trouble` is given."""

    running: bool = False
    trouble: str = ""
    """Why no window was opened; else empty."""
    ends_in_s: float = 0.0
    ends_ns: int | None = None
    """None: there was no window."""
    stopped: str = ""
    """Why it was ended early."""
    requests: int = 0
    rows: tuple[AskedRow, ...] = ()


@dataclass(frozen=True, slots=True)
class NodeRow:
    """This program as an Art-Net node that subscribes to universes."""

    replies: int
    pages: int
    """Poll replies that one poll is answered with."""
    waiting: bool
    """Whether it answers no poll before a phase without an audience."""
