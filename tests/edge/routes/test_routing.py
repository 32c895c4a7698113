"""The routes process without its process: what it leaves out is counted, each number by its real cause."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from ipaddress import IPv4Address

from sacn.messages.data_packet import DataPacket

from slotwatch import clock
from slotwatch.bridge.node import MOST_POLLERS
from slotwatch.edge.routes.routing import NEWEST_ROWS, Routing
from slotwatch.edge.shared import ring as rings
from slotwatch.edge.shared.ring import GUARD_ROWS, Ring, RingWriter
from slotwatch.house.schema import DeclaredUniverse, House, Network, Route
from slotwatch.house.service import Listen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.ports import free_port

ROWS = 4 * GUARD_ROWS
OWN = b"own bridge cid.."
ART_POLL = b"Art-Net\0" + bytes((0x00, 0x20, 0, 14, 0, 0))
"""OpPoll 0x2000, low octet first; protocol version 14, high octet first (Art-Net 4, ArtPoll)."""


def house() -> House:
    port = free_port()
    return House(
        name="Test",
        networks=(Network("lo", "lo"),),
        listen=Listen(interfaces=("lo",), e131_port=port, artnet_port=port, artnet_subscribe=True),
        universes=(DeclaredUniverse(UniverseId(Protocol.E131, 1)), DeclaredUniverse(UniverseId(Protocol.ARTNET, 3))),
        routes=(
            Route("tower", UniverseId(Protocol.E131, 1), target=UniverseId(Protocol.E131, 2), to_address="127.0.0.1"),
        ),
    )


@contextmanager
def bench() -> Iterator[tuple[Routing, RingWriter]]:
    memory = rings.create_memory(ROWS)
    writer = RingWriter(memory, ROWS)
    writer.turn(clock.monotonic_ns(), clock.wall_offset_ns(), 0)
    routing = Routing(house(), Ring(memory, ROWS, routes=True), OWN)
    try:
        yield routing, writer
    finally:
        routing.close(clock.monotonic_ns())
        os.close(memory)


def put(writer: RingWriter, payload: bytes, protocol: Protocol, address: str = "127.0.0.1") -> None:
    src = list(bytes(10) + b"\xff\xff" + IPv4Address(address).packed)
    writer.put(payload, t_ns=clock.monotonic_ns(), protocol=protocol, src=src, dst=src)


def frame(cid: bytes, sequence: int) -> bytes:
    return bytes(DataPacket(tuple(cid), "desk", 1, (9,) * 512, sequence=sequence % 256).getBytes())


def counted(routing: Routing) -> dict[str, int]:
    return routing.report(clock.monotonic_ns()).counted


def test_nothing_is_counted_of_what_is_in_order() -> None:
    with bench() as (routing, writer):
        for sequence in range(10):
            put(writer, frame(b"slotwatch-tests0", sequence), Protocol.E131)
        routing.step(clock.monotonic_ns())
        assert set(counted(routing).values()) == {0}


def test_it_says_how_many_rows_it_has_read_once_that_is_all_of_them() -> None:
    with bench() as (routing, writer):
        for sequence in range(10):
            put(writer, frame(b"slotwatch-tests0", sequence), Protocol.E131)
        put(writer, ART_POLL, Protocol.ARTNET)
        assert writer.ring.routed_word[0] == 0
        routing.step(clock.monotonic_ns())
        assert writer.ring.routed_word[0] == 11


def test_rows_that_are_too_far_back_are_left_out_and_counted() -> None:
    with bench() as (routing, writer):
        for sequence in range(ROWS // 2 + 100):
            put(writer, frame(b"slotwatch-tests0", sequence), Protocol.E131)
        routing.step(clock.monotonic_ns())
        assert counted(routing)["routes_skipped_packets"] == ROWS // 2 + 100 - NEWEST_ROWS


def test_late_packets_and_the_bridges_own_are_counted() -> None:
    with bench() as (routing, writer):
        for sequence in (5, 6, 4):
            put(writer, frame(b"slotwatch-tests0", sequence), Protocol.E131)
        put(writer, frame(OWN, 1), Protocol.E131)
        routing.step(clock.monotonic_ns())
        found = counted(routing)
        assert (found["routes_discarded_packets"], found["routes_own_packets"]) == (1, 1)


def test_polls_past_what_is_answered_in_a_second_are_counted() -> None:
    with bench() as (routing, writer):
        for number in range(MOST_POLLERS + 36):
            put(writer, ART_POLL, Protocol.ARTNET, f"127.0.1.{number}")
        routing.step(clock.monotonic_ns())
        assert counted(routing)["node_unanswered_polls"] == 36


def test_what_the_network_refuses_to_send_is_counted() -> None:
    """The Linux kernel sends to no broadcast address from a socket that was not allowed to (EACCES, socket(7))."""
    with bench() as (routing, _):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            routing.sender.send_raw(sock, b"never sent", ("255.255.255.255", free_port()))
        assert counted(routing)["routes_unsent_packets"] == 1
