"""Packets for the model's tests, put together from the byte tables of the standards and from nothing of ours.

E1.31 data, sync and discovery: ANSI E1.31-2018 Tables 4-1 to 4-3. Art-Net Dmx, Sync, PollReply: offsets as in
the tables of the protocol's public Kaitai description and confirmed by tshark.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from ipaddress import IPv4Address, IPv6Address

import numpy as np

from slotwatch.house.schema import House
from slotwatch.model.model import Model
from slotwatch.wire.batch import Batch, empty
from slotwatch.wire.decode import decode
from slotwatch.wire.universe import Protocol

SECOND = 1_000_000_000
MS = 1_000_000
START = 100 * SECOND
ACN = bytes.fromhex("0010 0000 4153432d45312e3137000000".replace(" ", ""))


def cid(number: int) -> bytes:
    return b"\x11" * 14 + struct.pack(">H", number)


def e131(
    levels: Sequence[int] | bytes,
    *,
    universe: int = 1,
    sequence: int = 0,
    priority: int = 100,
    source: bytes = cid(1),
    name: bytes = b"Desk A",
    options: int = 0,
    sync: int = 0,
    start_code: int = 0,
) -> bytes:
    """E1.31 data packet (Table 4-1)."""
    slots = bytes(levels)
    return b"".join(
        (
            ACN,
            struct.pack(">HI", 0x7000 | (110 + len(slots)), 4),
            source,
            struct.pack(">HI", 0x7000 | (88 + len(slots)), 2),
            name.ljust(64, b"\0"),
            struct.pack(">BHBBH", priority, sync, sequence, options, universe),
            struct.pack(">HBBHHH", 0x7000 | (11 + len(slots)), 2, 0xA1, 0, 1, len(slots) + 1),
            bytes((start_code,)),
            slots,
        )
    )


def e131_sync(address: int, sequence: int = 0, source: bytes = cid(1)) -> bytes:
    """E1.31 synchronization packet (Table 4-2)."""
    head = ACN + struct.pack(">HI", 0x7021, 8) + source
    return head + struct.pack(">HIBHH", 0x700B, 1, sequence, address, 0)


def e131_discovery(
    universes: Sequence[int], page: int = 0, last: int = 0, source: bytes = cid(1), name: bytes = b"Desk A"
) -> bytes:
    """E1.31 universe discovery packet (Table 4-3)."""
    size = 2 * len(universes)
    return b"".join(
        (
            ACN,
            struct.pack(">HI", 0x7000 | (104 + size), 8),
            source,
            struct.pack(">HI", 0x7000 | (82 + size), 2),
            name.ljust(64, b"\0"),
            bytes(4),
            struct.pack(">HIBB", 0x7000 | (8 + size), 1, page, last),
            struct.pack(f">{len(universes)}H", *universes),
        )
    )


def artnet(levels: Sequence[int] | bytes, *, universe: int = 0, sequence: int = 0, physical: int = 0) -> bytes:
    """Art-Net Dmx."""
    slots = bytes(levels)
    head = b"Art-Net\0" + struct.pack("<H", 0x5000) + struct.pack(">HBB", 14, sequence, physical)
    return head + struct.pack("<H", universe) + struct.pack(">H", len(slots)) + slots


def artnet_sync() -> bytes:
    return b"Art-Net\0" + struct.pack("<H", 0x5200) + struct.pack(">HH", 14, 0)


def artnet_poll_reply(address: str, bind_index: int = 1, short_name: bytes = b"Node") -> bytes:
    """Art-Net poll reply of 239 octets with one DMX512 output, port-address 0."""
    packet = bytearray(239)
    packet[0:10] = b"Art-Net\0" + struct.pack("<H", 0x2100)
    packet[10:14] = IPv4Address(address).packed
    packet[14:16] = struct.pack("<H", 6454)
    packet[26 : 26 + len(short_name)] = short_name
    packet[172:174] = struct.pack(">H", 1)
    packet[174] = 0x80
    packet[207:211] = IPv4Address(address).packed
    packet[211] = bind_index
    return bytes(packet)


@cache
def octets(address: str) -> bytes:
    """An address as batches hold it."""
    if ":" in address:
        return IPv6Address(address).packed
    return bytes(10) + b"\xff\xff" + IPv4Address(address).packed


@dataclass(slots=True)
class Sent:
    """One packet on its way: when, from where, to where."""

    t_ns: int
    data: bytes
    src: str = "10.20.0.10"
    dst: str = ""
    protocol: int = Protocol.E131
    network: int = 0
    port: int = 5568


def batch_of(sent: Sequence[Sent]) -> Batch:
    """Lay packets into a batch. What lies behind a packet in its row is not zero, as in a ring that wrapped."""
    batch = empty(len(sent))
    batch.data[:] = 0xA5
    for row, packet in enumerate(sent):
        batch.data[row, : len(packet.data)] = np.frombuffer(packet.data, np.uint8)
        batch.length[row] = len(packet.data)
        batch.t_ns[row] = packet.t_ns
        batch.network[row], batch.protocol[row] = packet.network, packet.protocol
        batch.src[row] = np.frombuffer(octets(packet.src), np.uint8)
        if packet.dst:
            batch.dst[row] = np.frombuffer(octets(packet.dst), np.uint8)
        batch.src_port[row] = packet.port
    return batch


@dataclass(slots=True)
class Bench:
    """A model that is fed packets; time only passes where a test says so."""

    house: House = field(default_factory=House)
    start_ns: int = START
    model: Model = field(init=False)

    def __post_init__(self) -> None:
        self.model = Model(self.house, self.start_ns)

    def feed(self, sent: Iterable[Sent]) -> None:
        packets = list(sent)
        if packets:
            batch = batch_of(packets)
            self.model.ingest(batch, decode(batch))

    def feed_split(self, sent: Sequence[Sent], sizes: Sequence[int]) -> None:
        """Feed in batches of these sizes, over and over."""
        at = turn = 0
        while at < len(sent):
            size = sizes[turn % len(sizes)]
            self.feed(sent[at : at + size])
            at += size
            turn += 1

    def stream(self, universe: int = 1, source: bytes | None = None, address: str = "", protocol: int = 1) -> int:
        """The one stream row that matches."""
        streams = self.model.streams
        rows = [
            row
            for row in streams.rows().tolist()
            if streams.number[row] == universe
            and streams.protocol[row] == protocol
            and (source is None or self.model.sources[int(streams.source[row])].source_id == source)
            and (not address or self.model.sources[int(streams.source[row])].address == address)
        ]
        assert len(rows) == 1, rows
        return rows[0]

    def universe(self, number: int = 1, protocol: int = Protocol.E131, network: int = 0) -> int:
        return self.model.universes.by_place[network, protocol, number]


def frames(
    count: int,
    *,
    start_ns: int = START,
    every_ns: int = 25 * MS,
    first_sequence: int = 0,
    level_of: object = None,
    src: str = "10.20.0.10",
    dst: str = "",
    **fields: object,
) -> list[Sent]:
    """A healthy E1.31 sender: so many frames, one every `every_ns`, each level of the frame its number × 5."""
    sent = []
    for index in range(count):
        level = index * 5 % 256 if level_of is None else level_of(index)  # type: ignore[operator]
        packet = e131(bytes((level,)) * 512, sequence=(first_sequence + index) % 256, **fields)  # type: ignore[arg-type]
        sent.append(Sent(start_ns + index * every_ns, packet, src, dst))
    return sent
