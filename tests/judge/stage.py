"""A stage for the judge: senders as small programs over time, packets as octets, the real model underneath.

Times are seconds from the start; the octets are laid out here, independently of the project's own composers
(offsets of ANSI E1.31-2018 tables 4-1 to 4-3, and of Art-Net's ArtDmx).
"""

from __future__ import annotations

import struct
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from slotwatch.edge.shared.compiled import load, load_looking
from slotwatch.engine import CALM_NS, SETTLED_NS, waits_ns
from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Limits, Network, Phase
from slotwatch.house.service import Listen
from slotwatch.judge.catalog import RULES
from slotwatch.judge.events import Event
from slotwatch.judge.judge import Judge
from slotwatch.judge.rule import Rule
from slotwatch.model.model import Model
from slotwatch.snapshot import Incident
from slotwatch.wire.batch import Batch, empty
from slotwatch.wire.decode import decode
from slotwatch.wire.novelty import Routine
from slotwatch.wire.observation import JoinSeen, LinkSeen, Observation
from slotwatch.wire.universe import Protocol, UniverseId

S = 1_000_000_000
START_NS = 1_000 * S
WALL_OFFSET_NS = 1_800_000_000 * S
TICK_NS = 50_000_000

LAY_OUT_AHEAD_FROM = 3
"""From this step of a play on its packets are made for twice the time: each layout makes all of them again."""

COMPILED, LOOKING = load(), load_looking()
"""What takes routine packets, as in the daemon. Without it the plays take half as long again."""

Levels = Callable[[float], bytes]


@dataclass
class Packet:
    t_s: float
    data: bytes
    src: str
    dst: str
    protocol: Protocol = Protocol.E131
    network: int = 0


def e131(
    universe: int,
    sequence: int,
    levels: bytes,
    *,
    cid: bytes,
    name: str = "",
    priority: int = 100,
    options: int = 0,
    sync: int = 0,
    start_code: int = 0,
) -> bytes:
    count = len(levels) + 1
    dmp = struct.pack(">HBBHHH", 0x7000 | (10 + count), 2, 0xA1, 0, 1, count) + bytes([start_code]) + levels
    frame = struct.pack(">I64sBHBBH", 2, name.encode(), priority, sync, sequence % 256, options, universe)
    frame = struct.pack(">H", 0x7000 | (2 + len(frame) + len(dmp))) + frame + dmp
    root = struct.pack(">I16s", 4, cid)
    root = struct.pack(">H", 0x7000 | (2 + len(root) + len(frame))) + root + frame
    return struct.pack(">HH12s", 16, 0, b"ASC-E1.17\0\0\0") + root


def e131_sync(address: int, sequence: int, *, cid: bytes) -> bytes:
    frame = struct.pack(">HIBHH", 0x700B, 1, sequence % 256, address, 0)
    return struct.pack(">HH12sHI16s", 16, 0, b"ASC-E1.17\0\0\0", 0x7021, 8, cid) + frame


def discovery(universes: Iterable[int], *, cid: bytes, name: str = "") -> bytes:
    listed = sorted(universes)
    page = struct.pack(">HIBB", 0x7000 | (8 + 2 * len(listed)), 1, 0, 0) + struct.pack(f">{len(listed)}H", *listed)
    frame = struct.pack(">I64sI", 2, name.encode(), 0) + page
    frame = struct.pack(">H", 0x7000 | (2 + len(frame))) + frame
    root = struct.pack(">I16s", 8, cid) + frame
    return struct.pack(">HH12sH", 16, 0, b"ASC-E1.17\0\0\0", 0x7000 | (2 + len(root))) + root


def artdmx(universe: int, sequence: int, levels: bytes) -> bytes:
    head = b"Art-Net\0" + struct.pack("<H", 0x5000) + struct.pack(">HBB", 14, sequence, 0)
    return head + struct.pack("<H", universe) + struct.pack(">H", len(levels)) + levels


def group_of(universe: int) -> str:
    return f"239.255.{universe >> 8}.{universe & 255}"


def still(value: int = 100, slots: int = 512) -> Levels:
    levels = bytes([value]) * slots
    return lambda t: levels


def moving(slots: int = 512, step: int = 5, hz: float = 40.0) -> Levels:
    """A look that moves with every frame."""
    return lambda t: bytes([int(t * hz * step) % 250]) * slots


@dataclass
class Desk:
    """A sender of E1.31 as a program: steady refresh, or three repeats and keep-alive where nothing changes."""

    name: str
    universes: tuple[int, ...]
    address: str = "10.0.0.1"
    number: int = 1
    priority: int = 100
    hz: float = 40.0
    levels: Levels = field(default_factory=moving)
    from_s: float = 0.0
    to_s: float = 1e9
    rests: bool = False
    """Suppress what does not change (E1.31 6.6.2)."""
    keep_alive_s: float = 0.9
    terminate: bool = False
    options: int = 0
    sync: int = 0
    discovery: bool = False
    drop: Callable[[int, int, float], bool] = lambda universe, index, t: False
    """Whether this frame gets lost on the way, by universe, index and time."""
    sequence_of: Callable[[int, int], int] = lambda universe, index: index
    dst: Callable[[int], str] = group_of
    network: int = 0
    cid: bytes = b""
    phase_s: float = 0.0
    start_code: int = 0

    def __post_init__(self) -> None:
        self.cid = self.cid or bytes([self.number]) * 16

    def packets(self, end_s: float) -> Iterator[Packet]:
        for place, universe in enumerate(self.universes):
            yield from self._frames(universe, place * 0.0002, min(end_s, self.to_s))
        if self.discovery:
            t = self.from_s + 0.5
            while t < min(end_s, self.to_s):
                data = discovery(self.listed(t), cid=self.cid, name=self.name)
                yield Packet(t, data, self.address, "239.255.250.214", network=self.network)
                t += 10.0

    def listed(self, t: float) -> tuple[int, ...]:
        return self.universes

    def _frames(self, universe: int, shift_s: float, end_s: float) -> Iterator[Packet]:
        index, last, equal, sent_s = 0, b"", 0, -1e9
        tick = 0
        while (t := self.from_s + self.phase_s + shift_s + tick / self.hz) < end_s:
            tick += 1
            levels = self.levels(t)
            equal = equal + 1 if levels == last else 0
            last = levels
            if self.rests and equal > 3 and t - sent_s < self.keep_alive_s:
                continue
            sent_s = t
            packet = self._packet(t, universe, index, levels, self.options)
            if not self.drop(universe, index, t):
                yield packet
            index += 1
        if self.terminate and self.to_s <= end_s:
            for extra in range(3):
                yield self._packet(self.to_s + 0.001 * (extra + 1), universe, index + extra, last, self.options | 0x40)

    def _packet(self, t: float, universe: int, index: int, levels: bytes, options: int) -> Packet:
        data = e131(
            universe,
            self.sequence_of(universe, index),
            levels,
            cid=self.cid,
            name=self.name,
            priority=self.priority,
            options=options,
            sync=self.sync,
            start_code=self.start_code,
        )
        return Packet(t, data, self.address, self.dst(universe), network=self.network)


@dataclass
class Node:
    """A sender of Art-Net: on change, with a keep-alive of 4 s."""

    universes: tuple[int, ...]
    address: str = "10.0.0.50"
    hz: float = 40.0
    levels: Levels = field(default_factory=still)
    keep_alive_s: float = 4.0
    from_s: float = 0.0
    to_s: float = 1e9
    numbered: bool = True
    dst: str = "255.255.255.255"
    drop: Callable[[int, int, float], bool] = lambda universe, index, t: False

    def packets(self, end_s: float) -> Iterator[Packet]:
        for universe in self.universes:
            index, last, sent_s, tick = 0, b"", -1e9, 0
            while (t := self.from_s + tick / self.hz) < min(end_s, self.to_s):
                tick += 1
                levels = self.levels(t)
                if levels == last and t - sent_s < self.keep_alive_s:
                    continue
                last, sent_s = levels, t
                sequence = index % 255 + 1 if self.numbered else 0
                if not self.drop(universe, index, t):
                    yield Packet(t, artdmx(universe, sequence, levels), self.address, self.dst, Protocol.ARTNET)
                index += 1


@dataclass
class Plain:
    """Any packets."""

    made: list[Packet]

    def packets(self, end_s: float) -> Iterator[Packet]:
        return (packet for packet in self.made if packet.t_s < end_s)


def make_batch(packets: list[Packet]) -> Batch:
    batch = empty(len(packets), WALL_OFFSET_NS)
    for row, packet in enumerate(packets):
        octets = np.frombuffer(packet.data, np.uint8)
        batch.data[row, : len(octets)] = octets
        batch.length[row] = len(octets)
        batch.t_ns[row] = START_NS + round(packet.t_s * S)
        batch.network[row] = packet.network
        batch.protocol[row] = packet.protocol
        batch.src[row] = _mapped(packet.src)
        batch.dst[row] = _mapped(packet.dst)
        batch.src_port[row] = 5568
    return batch


@cache
def _mapped(address: str) -> NDArray[np.uint8]:
    return np.frombuffer(bytes(10) + b"\xff\xff" + bytes(int(part) for part in address.split(".")), np.uint8)


def house_of(
    universes: Iterable[int] = (1,),
    *,
    artnet: Iterable[int] = (),
    sources: tuple[DeclaredSource, ...] = (),
    by: tuple[str, ...] = (),
    shared: bool = False,
    min_refresh_hz: float = 20.0,
    **more: object,
) -> House:
    declared = [
        DeclaredUniverse(
            UniverseId(Protocol.E131, number),
            sources=by,
            shared=shared,
            limits=Limits(min_refresh_hz=min_refresh_hz),
        )
        for number in universes
    ]
    declared += [
        DeclaredUniverse(
            UniverseId(Protocol.ARTNET, number),
            sources=by,
            shared=shared,
            limits=Limits(min_refresh_hz, loss_timeout_s=10.0),
        )
        for number in artnet
    ]
    house = House(
        name="Harbour Street Playhouse",
        phase=Phase.SHOW,
        listen=Listen(interfaces=("eth1",)),
        networks=(Network("eth1", "eth1"),),
        universes=tuple(declared),
        sources=sources,
    )
    return replace(house, **more)  # type: ignore[arg-type]


class Stage:
    """Runs senders through model and judge.

    Passes come as in the daemon: when packets bring a change, when something was observed, when one is due, and at the
    end of each `run`. every_tick: at each of its ticks, for bounds that are closer than a tick.
    """

    def __init__(
        self,
        house: House,
        *senders: object,
        phase: Phase | None = None,
        joined: bool = True,
        rules: Sequence[Rule] = RULES,
        wall_offset_ns: int = WALL_OFFSET_NS,
        every_tick: bool = False,
    ) -> None:
        self.house = house
        self.every_tick = every_tick
        self.model = Model(house, START_NS, COMPILED)
        self.judge = Judge(house, START_NS, wall_offset_ns, phase, rules)
        self.senders = list(senders)
        self.events: list[Event] = []
        self.now_s = 0.0
        self.observations: list[tuple[float, Observation]] = []
        self._laid: list[Packet] = []
        self._laid_s = -1.0
        self._laid_of: list[object] = []
        self._layouts = 0
        self._routine = Routine(LOOKING)
        self._due_ns = START_NS
        for network in range(max(1, len(house.networks))):
            self.see(0.0, LinkSeen(START_NS, network, True, ("10.0.0.200",), "eth1"))
        if joined:
            for universe in house.universes:
                for network in universe.networks:
                    if universe.id.protocol is Protocol.E131:
                        self.see(0.0, JoinSeen(START_NS, network, universe.id.number, True))

    def see(self, t_s: float, observation: Observation) -> None:
        self.observations.append((t_s, observation))
        self.observations.sort(key=lambda pair: pair[0])

    def run(self, until_s: float) -> Stage:
        packets = self._sent_until(until_s)
        place = 0
        ticks = round((until_s - self.now_s) * S) // TICK_NS
        start_ns = round(self.now_s * S)
        brings_change = True  # a test may have changed something between two runs
        for tick in range(1, ticks + 1):
            now_s = (start_ns + tick * TICK_NS) / S
            end = place
            while end < len(packets) and packets[end].t_s <= now_s:
                end += 1
            if end > place:
                batch = make_batch(packets[place:end])
                brings_change |= self._routine.brings_change(batch)
                for others in self.model.take_routine(batch):
                    self.model.ingest(others, decode(others))
                place = end
            brings_change |= self._observe(now_s)
            now_ns = START_NS + start_ns + tick * TICK_NS
            if brings_change or self.every_tick or now_ns >= self._due_ns or tick == ticks:
                self._pass(now_ns)
                brings_change = False
        self.now_s = until_s
        return self

    def _pass(self, now_ns: int) -> None:
        self.model.advance(now_ns)
        self.judge.tick(now_ns, self.model)
        self.events += self.judge.take_events()
        if not self.every_tick:
            longest_ns = SETTLED_NS if self.judge.is_settled else CALM_NS
            self._due_ns = now_ns + waits_ns(longest_ns, self.model.soonest_loss_ns(), now_ns)

    def _sent_until(self, until_s: float) -> list[Packet]:
        """What is sent from now until then, in order. A play of many steps is laid out some way ahead of them."""
        if until_s > self._laid_s or self._laid_of != self.senders:
            self._layouts += 1
            self._laid_s = until_s if self._layouts < LAY_OUT_AHEAD_FROM else 2 * until_s
            self._laid_of = list(self.senders)
            sent = (packet for one in self.senders for packet in one.packets(self._laid_s))  # type: ignore[attr-defined]
            self._laid = sorted(sent, key=_sent_at)
        first = bisect_left(self._laid, self.now_s, key=_sent_at)
        return self._laid[first : bisect_left(self._laid, until_s, key=_sent_at)]

    def _observe(self, now_s: float) -> bool:
        """Give what is observed until now; whether there was anything."""
        has_seen = False
        while self.observations and self.observations[0][0] <= now_s:
            seen, has_seen = self.observations.pop(0)[1], True
            if isinstance(seen, JoinSeen):
                self.model.note_group(seen.network, seen.universe, 1 if seen.ok else -1)
            self.judge.observe(seen)
        return has_seen

    @property
    def now_ns(self) -> int:
        return START_NS + round(self.now_s * S)

    @property
    def all(self) -> list[Incident]:
        return self.judge.incidents(self.now_ns)

    @property
    def open(self) -> list[Incident]:
        return [incident for incident in self.all if incident.closed_ns is None]

    def reported(self) -> list[tuple[str, str]]:
        """Rule and cause of every incident, open or closed, in order."""
        return [(incident.rule, incident.cause) for incident in sorted(self.all, key=lambda one: one.id)]

    def alarms(self) -> list[Incident]:
        return [incident for incident in self.all if incident.severity > 1]

    def only(self) -> Incident:
        every = self.all
        assert len(every) == 1, [(one.rule, one.cause, one.summary) for one in every]
        return every[0]

    def rule(self, name: str) -> Incident:
        found = [incident for incident in self.all if incident.rule == name]
        assert len(found) == 1, (name, self.reported())
        return found[0]


def _sent_at(packet: Packet) -> float:
    return packet.t_s


def opened_after_s(incident: Incident) -> float:
    """Seconds from the start to when it was judged a fault."""
    return (incident.opened_ns - START_NS) / S
