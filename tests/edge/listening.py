"""What the tests of receiving share: a house on loopback at free ports, and an intake without its process."""

from __future__ import annotations

import os
import socket
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from slotwatch.edge.intake.intake import Intake
from slotwatch.edge.shared.channel import Channel, pair
from slotwatch.edge.shared.messages.intake import (
    FROM_INTAKE,
    TO_INTAKE,
    FromIntake,
    JoinsSeen,
    LinksSeen,
    ToIntake,
)
from slotwatch.edge.shared.ring import Ring, RingWriter, create_memory
from slotwatch.edge.shared.ring_reader import RingReader
from slotwatch.house.schema import DeclaredUniverse, House, Network, Route
from slotwatch.house.service import Listen
from slotwatch.wire.batch import Batch, empty
from slotwatch.wire.observation import JoinSeen, LinkSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.ports import free_port

ROWS = 4096


def house_on(interface: str = "lo", universes: range = range(0), routes: tuple[Route, ...] = ()) -> House:
    """A house that listens on one interface at ports of its own."""
    return House(
        listen=Listen(interfaces=(interface,), e131_port=free_port(), artnet_port=free_port()),
        networks=(Network(interface, interface),),
        universes=tuple(DeclaredUniverse(UniverseId(Protocol.E131, number)) for number in universes),
        routes=routes,
    )


@dataclass
class Listening:
    intake: Intake
    ring: Ring
    judging: Channel[ToIntake, FromIntake]
    """Judging's end of what intake observes."""
    bell: int
    tail: int = 0

    def read(self) -> list[Batch]:
        """Turn once and return the new rows."""
        self.intake.turn()
        reader = RingReader(self.ring, self.tail, lambda rows, _: empty(rows))
        found = []
        while (batch := reader.take(self.ring.head)) is not None:
            found.append(batch)
        self.tail = reader.tail
        return found

    def follow(self) -> None:
        """Take what the kernel and judging have said until now."""
        self.intake.follow(self.intake.wait(0))

    def links(self) -> list[LinkSeen]:
        """What has arrived of links; other messages are dropped."""
        return [link for m in self.judging.receive() if isinstance(m, LinksSeen) for link in m.links]

    def joined(self) -> list[JoinSeen]:
        """What has arrived of joins; other messages are dropped."""
        return [join for m in self.judging.receive() if isinstance(m, JoinsSeen) for join in m.joins]


@contextmanager
def listening(house: House) -> Iterator[Listening]:
    memory, bell = create_memory(ROWS), os.eventfd(0, os.EFD_NONBLOCK)
    mine, theirs = pair()
    channel: Channel[FromIntake, ToIntake] = Channel(mine.detach(), TO_INTAKE)
    other: Channel[ToIntake, FromIntake] = Channel(theirs.detach(), FROM_INTAKE)
    intake = Intake(house, RingWriter(memory, ROWS), [bell], channel)
    try:
        yield Listening(intake, Ring(memory, ROWS), other, bell)
    finally:
        intake.close()
        channel.close()
        other.close()
        os.close(memory)
        os.close(bell)


def send(port: int, *payloads: bytes, to: str = "127.0.0.1") -> int:
    """Send datagrams from one socket; returns its port."""
    family = socket.AF_INET6 if ":" in to else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as sock:
        sock.bind(("::1" if ":" in to else "127.0.0.1", 0))
        if to.startswith("239."):
            request = struct.pack("=4s4si", bytes(4), bytes(4), socket.if_nametoindex("lo"))
            sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, request)
        for payload in payloads:
            sock.sendto(payload, (to, port))
        return int(sock.getsockname()[1])
