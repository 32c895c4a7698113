"""One output of the bridge: what its routes put into it, and when the next frame of it leaves."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from dataclasses import dataclass, field
from enum import Enum

from slotwatch.bridge.merge import InputState, Merged
from slotwatch.bridge.pacing import Pacer, shortest_interval_ns
from slotwatch.house.schema import Route
from slotwatch.wire.universe import SLOTS, UniverseId

_ZEROS = bytes(SLOTS)


class RouteState(Enum):
    """What a route is doing, in the words that page and API show."""

    WAITING = "waiting"
    """No data on the input since the start: nothing is sent."""
    LISTENING = "listening"
    """Data has just begun. The route listens for one keep-alive period, so that it does not send a source of lower
    priority for a moment."""
    RUNNING = "running"
    UNDECIDED = "undecided"
    """A source fell silent; nothing is sent until another proves that the path is up."""
    HOLDING = "holding"
    ZERO = "zero"
    STOPPED = "stopped"
    """The input is gone and this route sends nothing."""
    LOOP = "loop"
    """Stopped automatically: its own output came back into its input."""


# Reading a member through its class costs a microsecond in Python 3.11, and these are read for every frame.
_WAITING, _LISTENING, _RUNNING, _UNDECIDED = list(RouteState)[:4]
_HOLDING, _ZERO, _STOPPED, _LOOP = list(RouteState)[4:]
_INPUT_LIVE, _INPUT_UNDECIDED, _INPUT_SILENT = InputState.LIVE, InputState.UNDECIDED, InputState.SILENT


@dataclass(frozen=True, slots=True)
class Target:
    """Where an output goes: a universe on a network, or a serial port."""

    universe: UniverseId | None
    network: int
    address: str | None = None
    broadcast: bool = False
    serial: str | None = None
    refresh_hz: float | None = None
    break_by_baud: bool = False

    @property
    def text(self) -> str:
        if self.serial is not None:
            return f"serial:{self.serial}"
        return f"{self.universe}" + (f" to {self.address}" if self.address else "")


def target_of(route: Route, default_network: int) -> Target:
    """Give the output that a route sends to. default_network: its index where the route names none."""
    network = default_network if route.to_network is None else route.to_network
    if route.target_serial is not None:
        by_baud = route.line_break == "baud"
        return Target(None, network, serial=route.target_serial, refresh_hz=route.refresh_hz, break_by_baud=by_baud)
    return Target(route.target, network, route.to_address, route.broadcast)


LATENCY_EDGES_S = (0.0001, 0.00025, 0.0005, 0.001, 0.002, 0.003, 0.005, 0.01, 0.025, 0.1)
NEWEST = 256
"""Frames over which percentiles are taken."""


class Latency:
    """Packet in to packet out: the newest ones for people, all of them as a histogram for metrics."""

    __slots__ = ("_frames", "_newest_ns", "counts", "sum_s")

    def __init__(self) -> None:
        self._frames = 0
        # Plain numbers in one place: as objects, those of 512 routes push everything else out of a processor's cache.
        self._newest_ns = array("q", bytes(8 * NEWEST))
        self.counts = [0] * (len(LATENCY_EDGES_S) + 1)
        self.sum_s = 0.0

    def add(self, latency_ns: int) -> None:
        self._newest_ns[self._frames % NEWEST] = latency_ns
        self._frames += 1
        seconds = latency_ns / 1e9
        self.counts[bisect_left(LATENCY_EDGES_S, seconds)] += 1
        self.sum_s += seconds

    def shares_ms(self, *percents: int) -> list[float | None]:
        """Percentiles of the newest frames; None before there is one."""
        if not self._frames:
            return [None] * len(percents)
        ordered = sorted(self._newest_ns[: self._frames])
        places = [min(len(ordered) - 1, len(ordered) * percent // 100) for percent in percents]
        return [round(ordered[place] / 1e6, 3) for place in places]


@dataclass(slots=True)
class Lane:
    """One route as it runs. `sent_frames` counts frames of its output that it took part in."""

    route: Route
    state: RouteState = _WAITING
    since_ns: int = 0
    """When it entered its state."""
    heard_ns: int = 0
    """When it began to listen."""
    lost_ns: int = 0
    """When its input was lost; 0: it is not lost."""
    levels: bytes = _ZEROS
    """512 bytes, as the output gets them."""
    claims: bytes = _ZEROS
    """512 bytes: not 0 where a source of the input claims the slot."""
    sent_frames: int = 0
    latency: Latency = field(default_factory=Latency)
    arrived_ns: int = 0
    """When the packet arrived that made the pending change; 0 if none waits."""
    winners: tuple[bytes, ...] = ()
    _is_whole: bool = field(init=False)
    """All 512 slots at their own places: nothing is cut."""

    def __post_init__(self) -> None:
        self._is_whole = self.route.slots == (1, SLOTS) and self.route.to_slot == 1

    def enter(self, state: RouteState, now_ns: int) -> None:
        if state is not self.state:
            self.state, self.since_ns = state, now_ns

    def go_on_from(self, before: Lane) -> None:
        """Take over the state of this route under an earlier house file."""
        self.state, self.since_ns, self.heard_ns = before.state, before.since_ns, before.heard_ns
        self.lost_ns, self.levels, self.claims = before.lost_ns, before.levels, before.claims
        self.sent_frames, self.latency, self.winners = before.sent_frames, before.latency, before.winners

    @property
    def is_straight(self) -> bool:
        """Whether what comes in goes out as it is."""
        return self.state is _RUNNING and self._is_whole and not self.route.slot_priority

    @property
    def contributes(self) -> bool:
        return self.state in (_RUNNING, _HOLDING, _ZERO)

    def take(self, merged: Merged, now_ns: int, listen_ns: int) -> bool:
        """Follow the input's state. True if what this lane puts out may have changed."""
        if self.state is _LOOP:
            return False
        if merged.state is _INPUT_LIVE:
            return self._live(merged, now_ns, listen_ns)
        if merged.state is _INPUT_UNDECIDED:
            changed = self.state is _RUNNING
            if changed:
                self.enter(_UNDECIDED, now_ns)
            return changed
        return self._gone(merged, now_ns)

    def _live(self, merged: Merged, now_ns: int, listen_ns: int) -> bool:
        self.lost_ns = 0
        if self.state is _RUNNING:
            levels, claims = merged.levels, merged.priorities
            if not self._is_whole:
                levels, claims = self._cut(levels), self._cut(claims)
            changed = levels != self.levels or claims != self.claims
            self.levels, self.claims, self.winners = levels, claims, merged.winners
            return changed
        if self.state is _WAITING:
            self.heard_ns = now_ns
            self.enter(_LISTENING, now_ns)
        if self.state is _LISTENING and now_ns - self.heard_ns < listen_ns:
            return False
        self.levels, self.claims, self.winners = self._cut(merged.levels), self._cut(merged.priorities), merged.winners
        self.enter(_RUNNING, now_ns)
        return True

    def _gone(self, merged: Merged, now_ns: int) -> bool:
        if self.state in (_WAITING, _STOPPED):
            return False
        if self.state is _LISTENING:
            self.enter(_WAITING, now_ns)
            return False
        if merged.state is _INPUT_SILENT:
            # Every source closed cleanly: the show is over on purpose, so no hold time is waited for.
            return self._finish(now_ns)
        if not self.lost_ns:
            self.lost_ns = now_ns
        if now_ns - self.lost_ns < self.route.hold_s * 1e9:
            changed = self.state is not _HOLDING
            self.enter(_HOLDING, now_ns)
            return changed
        return self._finish(now_ns)

    def _finish(self, now_ns: int) -> bool:
        before = (self.state, self.levels)
        if self.route.then == "hold":
            self.enter(_HOLDING, now_ns)
        elif self.route.then == "zero":
            self.levels = self.claims = _ZEROS
            # Zeros are still this route's statement about its slots.
            self.claims = self._owned()
            self.enter(_ZERO, now_ns)
        else:
            self.enter(_STOPPED, now_ns)
        return before != (self.state, self.levels)

    def hold_ends_ns(self) -> int | None:
        """When this lane's hold time ends, if it is running."""
        if self.state is _HOLDING and self.lost_ns and self.route.then != "hold":
            return self.lost_ns + int(self.route.hold_s * 1e9)
        return None

    def _owned(self) -> bytes:
        first, last = self.route.slots
        start = self.route.to_slot - 1
        count = min(last - first + 1, SLOTS - start)
        return bytes(start) + bytes([max(self.route.priority, 1)]) * count + bytes(SLOTS - start - count)

    def _cut(self, values: bytes) -> bytes:
        if self._is_whole:
            return values
        first, last = self.route.slots
        start = self.route.to_slot - 1
        part = values[first - 1 : last][: SLOTS - start]
        return bytes(start) + part + bytes(SLOTS - start - len(part))


@dataclass(slots=True)
class Output:
    """A target and the lanes that share it (many to one: the highest level of each slot)."""

    target: Target
    lanes: list[Lane]
    pacer: Pacer = field(default_factory=lambda: Pacer(shortest_interval_ns(SLOTS)))
    levels: bytes = _ZEROS
    claims: bytes = _ZEROS
    claims_sent: bytes = b""
    claims_ns: int = 0
    speaking: bool = False
    """Whether a stream is on the wire that has to be ended properly."""
    ending: int = 0
    """Terminated packets still to be sent."""
    frames: int = 0
    active: list[Lane] = field(default_factory=list)
    """Lanes that contribute, as of the last `compose`, like what follows."""
    priority: int = 0
    sends_slot_priority: bool = False
    paused: bool = False
    """An undecided lane sends no frame, rather than one that may be wrong."""
    _settled: RouteState | None = None

    def compose(self) -> bool:
        """Put the lanes together. True if the result differs from before."""
        if len(self.lanes) > 1 or self.lanes[0].state is not self._settled:
            self._settle()
        active = self.active
        if len(active) == 1:
            levels, claims = active[0].levels, active[0].claims
        else:
            levels = bytes(map(max, *(lane.levels for lane in active))) if active else _ZEROS
            claims = bytes(map(max, *(lane.claims for lane in active))) if active else _ZEROS
        changed = levels != self.levels or claims != self.claims
        self.levels, self.claims = levels, claims
        return changed

    def _settle(self) -> None:
        """Take what follows from the lanes' states, which change seldom."""
        self.active = [lane for lane in self.lanes if lane.contributes]
        self.priority = max((lane.route.priority for lane in self.active), default=0)
        self.sends_slot_priority = any(lane.route.slot_priority for lane in self.lanes)
        self.paused = any(lane.state is _UNDECIDED for lane in self.lanes)
        self._settled = self.lanes[0].state
