"""Pretend senders: what a desk, its backup or a media server puts on the wire, frame by frame.

A desk sends a universe when its levels change, three times more with the last levels and then only a
keep-alive (E1.31 6.6.2: every 800 to 1000 ms; Art-Net: every 4 s), unless it is continuous. It lists its
universes every 10 s (E1.31 4.3) and closes a stream with three terminated packets (6.2.6) if it is polite.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

from slotwatch.durations import NANOSECONDS
from slotwatch.rehearse import packets
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.looks import Look
from slotwatch.rehearse.packets import Sent

FOREVER = math.inf
DISCOVERY_S = 10.0

BROADCAST = "192.0.2.255"
LISTENER = "192.0.2.200"
"""Where the listener of every scenario sits: documentation addresses (RFC 5737)."""


def cid_of(text: str) -> bytes:
    """Make a well-formed version 4 UUID (RFC 9562) that belongs to a name."""
    seed = 0
    for byte in text.encode():
        seed = (seed * 257 + byte + 1) & ((1 << 64) - 1)
    made = bytearray(Chance(seed).take_bytes(16))
    made[6] = made[6] & 0x0F | 0x40
    made[8] = made[8] & 0x3F | 0x80
    return bytes(made)


@dataclass(frozen=True, slots=True)
class SentUniverse:
    """One universe of a sender."""

    number: int
    look: Look
    priority: int = 100
    options: int = 0
    sync_address: int = 0
    to: str = ""
    """Unicast or broadcast address, or another group; empty: the universe's own group (Art-Net: broadcast)."""
    hz: float | None = None
    """Frame clock of its own; None: the desk's."""
    start_s: float = 0.0
    stop_s: float = FOREVER
    closes: bool = False
    """Ends with three terminated packets."""
    continuous: bool = False
    """Sends every frame, changed or not."""
    keep_alive_s: float | None = None
    """None: 0.9 s (E1.31), 4 s (Art-Net)."""
    slot_priorities: Look | None = None
    """Also sends start code 0xDD with these, once a second and on change."""
    paused: Callable[[float], bool] | None = None
    """True while the sender itself sends nothing (overload, a disk that saves)."""
    pace: Callable[[int], float] | None = None
    """Delay in seconds of frame number n behind the frame clock, over 0."""


class _DuePacket(NamedTuple):
    t_ns: int
    output: SentUniverse
    slots: bytes
    start_code: int
    terminated: bool


@dataclass(frozen=True, slots=True)
class Desk:
    """An E1.31 sender. `start_s` and `stop_s` bound its life; what comes back is another Desk."""

    name: str
    address: str
    outputs: tuple[SentUniverse, ...]
    cid: bytes = b""
    """Empty: made from the name."""
    hz: float = 40.0
    network: int = 0
    start_s: float = 0.0
    stop_s: float = FOREVER
    closes: bool = False
    listed: Callable[[float], list[int]] | None = None
    """Universes of its discovery list at a time; None: those it sends."""
    discovery: bool = True
    sequence: str = "own"
    """own: a series for each universe | shared: one for all of them | stuck: always 0."""
    first_sequence: int = 0
    sync_hz: float | None = None
    """Sends sync packets to its outputs' sync address after each of its frames."""
    sync_stop_s: float = FOREVER
    jitter_us: float = 200.0
    port: int = packets.E131_PORT
    """Port that it sends to."""
    seed: int = 1

    @property
    def identity(self) -> bytes:
        return self.cid or cid_of(self.name)

    def sends(self, until_s: float = FOREVER) -> Iterator[Sent]:
        """Yield its packets in order of time, the last before `until_s`."""
        series: list[Iterable[Sent]] = [self._data(until_s)]
        if self.discovery:
            series.append(self._discovery(min(until_s, self.stop_s)))
        if self.sync_hz:
            series.append(self._sync(min(until_s, self.stop_s, self.sync_stop_s)))
        return heapq.merge(*series, key=lambda sent: sent.t_ns)

    def _sent(self, t_ns: int, to: str, payload: bytes) -> Sent:
        return Sent(t_ns, self.network, self.address, 50000, to, self.port, payload)

    def _data(self, until_s: float) -> Iterator[Sent]:
        dues = [_dues(output, self, until_s, 0.9, index) for index, output in enumerate(self.outputs)]
        series: dict[int, int] = {}
        identity = self.identity
        for due in heapq.merge(*dues, key=lambda due: due.t_ns):
            output = due.output
            key = 0 if self.sequence == "shared" else output.number
            sequence = series.get(key, self.first_sequence)
            if self.sequence != "stuck":
                series[key] = sequence + 1 & 0xFF
            payload = packets.e131_data(
                identity,
                self.name,
                output.number,
                sequence,
                due.slots,
                priority=output.priority,
                options=output.options | (packets.TERMINATED if due.terminated else 0),
                sync_address=output.sync_address,
                start_code=due.start_code,
            )
            yield self._sent(due.t_ns, output.to or packets.group(output.number), payload)

    def _discovery(self, until_s: float) -> Iterator[Sent]:
        t_s = self.start_s + 0.35
        while t_s < until_s:
            listed = self.listed(t_s) if self.listed else self._sending(t_s)
            for page in packets.e131_discovery(self.identity, self.name, listed):
                yield self._sent(round(t_s * NANOSECONDS), packets.group(packets.DISCOVERY_UNIVERSE), page)
            t_s += DISCOVERY_S

    def _sending(self, t_s: float) -> list[int]:
        return sorted({output.number for output in self.outputs if output.start_s <= t_s < output.stop_s})

    def _sync(self, until_s: float) -> Iterator[Sent]:
        addresses = sorted({output.sync_address for output in self.outputs} - {0})
        frame = 0
        while (t_s := self.start_s + frame / (self.sync_hz or self.hz) + 0.004) < until_s:
            for address in addresses:
                payload = packets.e131_sync(self.identity, frame, address)
                yield self._sent(round(t_s * NANOSECONDS), packets.group(address), payload)
            frame += 1


@dataclass(frozen=True, slots=True)
class ArtDesk:
    """An Art-Net sender (broadcast as older gear does, or unicast where its outputs say so)."""

    name: str
    address: str
    outputs: tuple[SentUniverse, ...]
    hz: float = 40.0
    network: int = 0
    start_s: float = 0.0
    stop_s: float = FOREVER
    closes: bool = False
    """Art-Net has no closing: kept so that both kinds of desk have the same shape."""
    sequenced: bool = True
    physical: int = 0
    polls: bool = False
    sync_hz: float | None = None
    """Sends ArtSync after each of its frames."""
    sync_stop_s: float = FOREVER
    jitter_us: float = 200.0
    port: int = packets.ARTNET_PORT
    seed: int = 2

    def sends(self, until_s: float = FOREVER) -> Iterator[Sent]:
        series: list[Iterable[Sent]] = [self._data(until_s)]
        if self.polls:
            series.append(self._polls(min(until_s, self.stop_s)))
        if self.sync_hz:
            series.append(self._syncs(self.sync_hz, min(until_s, self.stop_s, self.sync_stop_s)))
        return heapq.merge(*series, key=lambda sent: sent.t_ns)

    def _sent(self, t_ns: int, to: str, payload: bytes) -> Sent:
        return Sent(t_ns, self.network, self.address, packets.ARTNET_PORT, to, self.port, payload, ttl=64)

    def _data(self, until_s: float) -> Iterator[Sent]:
        dues = [_dues(output, self, until_s, 4.0, index) for index, output in enumerate(self.outputs)]
        series: dict[int, int] = {}
        for due in heapq.merge(*dues, key=lambda due: due.t_ns):
            number = due.output.number
            sequence = series.get(number, 0) % 255 + 1 if self.sequenced else 0
            series[number] = sequence
            payload = packets.art_dmx(number, sequence, due.slots, physical=self.physical)
            yield self._sent(due.t_ns, due.output.to or BROADCAST, payload)

    def _polls(self, until_s: float) -> Iterator[Sent]:
        t_s = self.start_s + 0.1
        while t_s < until_s:
            yield self._sent(round(t_s * NANOSECONDS), BROADCAST, packets.art_poll())
            t_s += 2.8

    def _syncs(self, hz: float, until_s: float) -> Iterator[Sent]:
        frame = 0
        while (t_s := self.start_s + frame / hz + 0.004) < until_s:
            yield self._sent(round(t_s * NANOSECONDS), BROADCAST, packets.art_sync())
            frame += 1


def _dues(
    output: SentUniverse, desk: Desk | ArtDesk, until_s: float, keep_alive_s: float, index: int
) -> Iterator[_DuePacket]:
    """Yield when an output's packets are due, with their slots."""
    start_s = max(output.start_s, desk.start_s)
    stop_s = min(output.stop_s, desk.stop_s, until_s)
    period_s = 1 / (output.hz or desk.hz)
    keep_alive_s = output.keep_alive_s or keep_alive_s
    last, equal, last_s = b"", 0, -FOREVER
    priorities, priorities_s = b"", -FOREVER
    frame = 0
    while (clock_s := start_s + frame * period_s) < stop_s:
        frame += 1
        if output.paused and output.paused(clock_s):
            continue
        late_s = output.pace(frame) if output.pace else 0.0
        # One frame's universes are late together and leave one after another, some tens of microseconds apart.
        jitter_ns = round(Chance(desk.seed * 1_000_003 + frame).unit() * desk.jitter_us * 1000)
        t_ns = round((clock_s + late_s) * NANOSECONDS) + index * 60_000 + jitter_ns
        slots = output.look(clock_s)
        equal = equal + 1 if slots == last else 0
        if output.continuous or equal <= 3 or clock_s - last_s >= keep_alive_s - 1e-6:
            yield _DuePacket(t_ns, output, slots, 0, False)
            last, last_s = slots, clock_s
        if output.slot_priorities:
            wanted = output.slot_priorities(clock_s)
            if wanted and (wanted != priorities or clock_s - priorities_s >= 0.999):
                yield _DuePacket(t_ns + 30_000, output, wanted, packets.SLOT_PRIORITY, False)
                priorities, priorities_s = wanted, clock_s
    if (output.closes or desk.closes) and stop_s < until_s:
        for copy in range(3):
            yield _DuePacket(round((stop_s + copy * period_s) * NANOSECONDS) + index * 60_000, output, last, 0, True)


def outputs(numbers: Iterable[int], look: Callable[[int], Look], **options: Any) -> tuple[SentUniverse, ...]:
    """Make several outputs that are alike; `look` makes the look of a universe from its number."""
    return tuple(SentUniverse(number, look(number), **options) for number in numbers)
