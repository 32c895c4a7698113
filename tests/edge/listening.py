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
from slotwatch.edge.shared.ring import Ring, RingWriter, create_memory
from slotwatch.house.schema import DeclaredUniverse, House, Listen, Network, Route
from slotwatch.wire.batch import Batch
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
    judging: Channel
    """Judging's end of what intake observes."""
    bell: int
    tail: int = 0

    def read(self) -> list[Batch]:
        """Turn once and return the new rows."""
        self.intake.turn()
        found = list(self.ring.views_of(self.tail, self.ring.head))
        self.tail = self.ring.head
        return found

    def observed(self, kind: str) -> list[dict[str, object]]:
        return [o for m in self.judging.receive() for o in m["observed"] if o["is"] == kind]


@contextmanager
def listening(house: House) -> Iterator[Listening]:
    memory, bell = create_memory(ROWS), os.eventfd(0, os.EFD_NONBLOCK)
    mine, theirs = pair()
    channel, other = Channel(mine.detach()), Channel(theirs.detach())
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
