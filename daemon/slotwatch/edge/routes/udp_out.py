"""Sending: one socket a network, packets composed once per output and patched in place.

Nothing is ever sent but what a declared route asks for. E1.31 packets come from the `sacn` package's own
composer; slotwatch changes only sequence, priority, options, start code and slots in them.
"""

from __future__ import annotations

import socket
from dataclasses import dataclass, field
from ipaddress import ip_address

from sacn.messages.data_packet import DataPacket

from slotwatch.bridge.outgoing import Outgoing, What
from slotwatch.bridge.output import Target
from slotwatch.edge.routes.network_socket import NetworkSocket
from slotwatch.edge.routes.outbox import Outbox
from slotwatch.wire.compose import art_dmx
from slotwatch.wire.fields import OPTION_TERMINATED
from slotwatch.wire.universe import SLOTS, Protocol

PRIORITY_AT, SEQUENCE_AT, OPTIONS_AT, START_CODE_AT, SLOTS_AT = 108, 111, 112, 125, 126
SLOT_PRIORITY_START_CODE = 0xDD

# Reading a member through its class costs a microsecond in Python 3.11.
_LEVELS, _SLOT_PRIORITY, _TERMINATED = What


@dataclass(slots=True)
class E131Stream:
    """The packet of one E1.31 output."""

    packet: bytearray
    sequence: int = 0

    def frame(self, what: What, values: bytes, priority: int) -> bytearray:
        """The next packet. 0xDD shares the sequence of the levels (E1.31 6.2.5)."""
        packet = self.packet
        packet[PRIORITY_AT] = priority
        packet[SEQUENCE_AT] = self.sequence
        packet[OPTIONS_AT] = OPTION_TERMINATED if what is _TERMINATED else 0
        packet[START_CODE_AT] = SLOT_PRIORITY_START_CODE if what is _SLOT_PRIORITY else 0
        packet[SLOTS_AT:] = values
        self.sequence = (self.sequence + 1) & 0xFF
        return packet


@dataclass(slots=True)
class ArtnetStream:
    """The packet of one Art-Net output. Sequence 1 to 255, skipping 0, which would mean "not used"."""

    packet: bytearray
    sequence: int = 0

    def frame(self, what: What, values: bytes, priority: int) -> bytearray | None:
        """The next packet; None for what this protocol cannot say (priorities, an end)."""
        if what is not _LEVELS:
            return None
        self.sequence = self.sequence % 255 + 1
        self.packet[12] = self.sequence
        self.packet[18:] = values
        return self.packet


@dataclass(slots=True)
class OutputSender:
    """How one output leaves."""

    box: Outbox
    stream: E131Stream | ArtnetStream
    header: bytes
    """Of the stream's packet, for its outbox."""


@dataclass(slots=True)
class Sender:
    """Sends what the bridge hands out. `failures` counts sends that the kernel refused, by errno."""

    cid: bytes
    source_name: str
    e131_port: int = 5568
    artnet_port: int = 6454
    sent: int = 0
    failures: dict[int, int] = field(default_factory=dict)
    _sockets: dict[tuple[int, bool, bool], NetworkSocket] = field(default_factory=dict)
    """By network, whether IPv6, whether for broadcasts."""
    _streams: list[OutputSender | None] = field(default_factory=list)
    """One for each output; None for a line."""

    def open(self, targets: list[Target], interfaces: list[str]) -> None:
        """Make the streams of all targets, in their order. `interfaces` are the networks' own, by index."""
        for target in targets:
            if target.universe is None:
                self._streams.append(None)
                continue
            address, port = self._destination(target)
            sock = self._socket(target, interfaces, ip_address(address).version == 6)
            stream: E131Stream | ArtnetStream
            if target.universe.protocol is Protocol.E131:
                stream = E131Stream(self._e131_packet(target.universe.number))
            else:
                stream = ArtnetStream(bytearray(art_dmx(target.universe.number, 0, bytes(SLOTS))))
            header = sock.box.header(stream.packet, (address, port))
            self._streams.append(OutputSender(sock.box, stream, header))

    def go_on_from(self, before: Sender, places: dict[int, int]) -> None:
        """Continue the sequence numbers and counts of an earlier sender. `places`: its index of each output that
        stays."""
        self.sent, self.failures = before.sent, before.failures
        for index, place in places.items():
            mine, theirs = self._streams[index], before._streams[place]
            if mine is not None and theirs is not None:
                mine.stream.sequence = theirs.stream.sequence

    def send(self, frames: list[Outgoing]) -> None:
        """Send frames in their order, many in one call. A refusal is counted, not raised: the next frame may go."""
        headers: list[bytes] = []
        waiting: set[int] = set()
        box = None
        for index, what, values, priority in frames:
            way = self._streams[index]
            if way is None:
                continue
            if index in waiting or (box is not None and way.box is not box):
                # An output has one packet: it must have left before it is patched again.
                self._empty(box, headers)
                headers, waiting = [], set()
            box = way.box
            if way.stream.frame(what, values, priority) is not None:
                headers.append(way.header)
                waiting.add(index)
        self._empty(box, headers)

    def _empty(self, box: Outbox | None, headers: list[bytes]) -> None:
        if box is None or not headers:
            return
        sent, refused = box.send(headers)
        self.sent += sent
        for number in refused:
            self._count_refusal(number)

    def send_raw(self, sock: socket.socket, packet: bytes | bytearray, destination: tuple[str, int]) -> None:
        """Send bytes from one of the sockets, counting a refusal."""
        try:
            sock.sendto(packet, destination)
            self.sent += 1
        except OSError as error:
            self._count_refusal(error.errno or 0)

    def _count_refusal(self, number: int) -> None:
        self.failures[number] = self.failures.get(number, 0) + 1

    def send_to(self, address: str, packet: bytes) -> None:
        """Send bytes to an IPv4 address at the Art-Net port, from a port of the kernel's choice: a second socket
        on that port itself would take the unicast that intake waits for."""
        key = (-1, False, False)
        if key not in self._sockets:
            self._sockets[key] = NetworkSocket("", v6=False, broadcast=False)
        self.send_raw(self._sockets[key].sock, packet, (address, self.artnet_port))

    def group_socket(self, network: int) -> socket.socket | None:
        """Return the IPv4 socket that sends to groups and addresses on a network; None while there is none."""
        found = self._sockets.get((network, False, False))
        return None if found is None or found.box.is_held else found.sock

    def follow_interfaces(self) -> None:
        """Take note of interfaces that went away or came back. To be called about once a second."""
        for one in self._sockets.values():
            one.follow()

    def close(self) -> None:
        for one in self._sockets.values():
            one.sock.close()
        self._sockets.clear()
        self._streams.clear()

    def _destination(self, target: Target) -> tuple[str, int]:
        assert target.universe is not None
        if target.universe.protocol is Protocol.ARTNET:
            return target.address or "255.255.255.255", self.artnet_port
        high, low = target.universe.number >> 8, target.universe.number & 0xFF
        return target.address or f"239.255.{high}.{low}", self.e131_port

    def _e131_packet(self, universe: int) -> bytearray:
        packet = DataPacket(tuple(self.cid), self.source_name, universe, dmxData=(0,) * SLOTS)
        return bytearray(packet.getBytes())

    def _socket(self, target: Target, interfaces: list[str], v6: bool) -> NetworkSocket:
        key = (target.network, v6, target.broadcast)
        if key not in self._sockets:
            interface = interfaces[target.network] if target.network < len(interfaces) else ""
            self._sockets[key] = NetworkSocket(interface, v6=v6, broadcast=target.broadcast)
        return self._sockets[key]


def discovery_lists(targets: list[Target]) -> dict[int, list[int]]:
    """E1.31 universes that the bridge sends, ascending, by network, for its own discovery lists (4.3).

    A list names only what its network gets: whoever hears it there would miss the others.
    """
    listed: dict[int, set[int]] = {}
    for target in targets:
        if target.universe is not None and target.universe.protocol is Protocol.E131:
            listed.setdefault(target.network, set()).add(target.universe.number)
    return {network: sorted(numbers) for network, numbers in listed.items()}
