"""Make packets to be sent: E1.31 data, sync and discovery; Art-Net data, polls and replies.

The layouts are those of ANSI E1.31-2018 tables 4-1 to 4-3 and of Art-Net 4. Every function returns new octets and
raises ValueError, with a sentence, for what a conforming sender may not send. Sending is the edge's work.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address

from slotwatch.wire.universe import ARTNET_LAST, E131_FIRST, E131_LAST

E131_PORT, ARTNET_PORT = 5568, 6454
MOST_PER_PAGE = 512
_PREAMBLE = b"\0\x10\0\0ASC-E1.17\0\0\0"
_ART_NET = b"Art-Net\0"
ART_VERSION = 14


def _demand(holds: bool, sentence: str) -> None:
    if not holds:
        raise ValueError(sentence)


def _length(octets: int) -> bytes:
    return struct.pack(">H", 0x7000 | octets)


def name_field(name: str, size: int) -> bytes:
    """Write a name into a field with its NUL, cut where a whole character ends."""
    octets = name.replace("\0", "").encode()[: size - 1]
    return octets.decode("utf-8", "ignore").encode().ljust(size, b"\0")


def _root(cid: bytes, vector: int, framing: bytes) -> bytes:
    _demand(len(cid) == 16, f"a CID has 16 octets, not {len(cid)}")
    return _PREAMBLE + _length(22 + len(framing)) + struct.pack(">I", vector) + cid + framing


def e131_data(
    cid: bytes,
    name: str,
    universe: int,
    sequence: int,
    slots: bytes,
    *,
    priority: int = 100,
    sync_address: int = 0,
    options: int = 0,
    start_code: int = 0,
) -> bytes:
    """Make a data packet of 0 to 512 slots (table 4-1). options: OPTION_ bits of `wire.fields`."""
    _demand(E131_FIRST <= universe <= E131_LAST, f"universe {universe} is outside {E131_FIRST} to {E131_LAST}")
    _demand(0 <= priority <= 200, f"priority {priority} is outside 0 to 200")
    _demand(len(slots) <= 512, f"{len(slots)} slots are more than 512")
    _demand(options & 0x1F == 0, "option bits 4 to 0 are reserved")
    count = len(slots) + 1
    dmp = _length(10 + count) + b"\x02\xa1\0\0\0\x01" + struct.pack(">HB", count, start_code) + slots
    head = struct.pack(">I", 2) + name_field(name, 64)
    head += struct.pack(">BHBBH", priority, sync_address, sequence & 0xFF, options, universe)
    return _root(cid, 4, _length(2 + len(head) + len(dmp)) + head + dmp)


def e131_sync(cid: bytes, sequence: int, address: int) -> bytes:
    """Make a sync packet (table 4-2)."""
    _demand(E131_FIRST <= address <= E131_LAST, f"sync address {address} is outside {E131_FIRST} to {E131_LAST}")
    return _root(cid, 8, _length(11) + struct.pack(">IBHH", 1, sequence & 0xFF, address, 0))


def e131_discovery(cid: bytes, name: str, universes: Sequence[int]) -> list[bytes]:
    """Make all pages of a list (table 4-3), sorted, without doubles; an idle source's one page is empty."""
    listed = sorted(set(universes))
    _demand(not listed or E131_FIRST <= listed[0] <= listed[-1] <= E131_LAST, "a listed universe does not exist")
    pages = [listed[at : at + MOST_PER_PAGE] for at in range(0, len(listed), MOST_PER_PAGE)] or [[]]
    packets = []
    for number, page in enumerate(pages):
        body = struct.pack(f">IBB{len(page)}H", 1, number, len(pages) - 1, *page)
        head = struct.pack(">I", 2) + name_field(name, 64) + bytes(4)
        layer = _length(2 + len(body)) + body
        packets.append(_root(cid, 8, _length(2 + len(head) + len(layer)) + head + layer))
    return packets


def art_dmx(port_address: int, sequence: int, slots: bytes, *, physical: int = 0) -> bytes:
    """Make a Dmx packet. An odd number of slots gets one of zero, as the length must be even.

    sequence: 1 to 255 in turn; 0 says that it is not used.
    """
    _demand(0 <= port_address <= ARTNET_LAST, f"port-address {port_address} is outside 0 to {ARTNET_LAST}")
    _demand(1 <= len(slots) <= 512, f"{len(slots)} slots: Art-Net carries 2 to 512")
    if len(slots) % 2:
        slots += b"\0"
    head = struct.pack("<H", 0x5000) + struct.pack(">HBB", ART_VERSION, sequence & 0xFF, physical & 0xFF)
    return _ART_NET + head + struct.pack("<H", port_address) + struct.pack(">H", len(slots)) + slots


def art_sync() -> bytes:
    """Make a Sync packet."""
    return _ART_NET + struct.pack("<H", 0x5200) + struct.pack(">H", ART_VERSION) + bytes(2)


def art_poll(flags: int = 0x02, diagnostic_priority: int = 0) -> bytes:
    """Make a poll. flags: 0x02 asks nodes to reply again whenever something changes."""
    return _ART_NET + struct.pack("<H", 0x2000) + struct.pack(">HBB", ART_VERSION, flags, diagnostic_priority)


@dataclass(frozen=True, slots=True)
class NodePort:
    """One port of a reply. Ports of one reply share Net and Sub-Net: bits 14 to 4 of the port-address."""

    port_address: int
    output: bool = True
    input: bool = False
    active: bool = False


def art_poll_reply(
    address: str,
    short_name: str,
    long_name: str,
    ports: Sequence[NodePort],
    *,
    report: str = "",
    mac: bytes = bytes(6),
    bind_index: int = 1,
    bind_address: str | None = None,
    firmware: int = 0,
    oem: int = 0x00FF,
    esta: int = 0x7FF0,
    style: int = 0,
) -> bytes:
    """Make a reply of up to four ports (239 octets).

    oem 0x00FF says "unknown" and esta 0x7FF0 is in ESTA's range for prototypes (both values from memory).
    """
    _demand(len(ports) <= 4, f"{len(ports)} ports: a reply has at most 4, send several with other bind indices")
    bases = {port.port_address >> 4 for port in ports}
    _demand(len(bases) <= 1, "the ports of one reply share Net and Sub-Net")
    base = bases.pop() if bases else 0
    _demand(0 <= base <= ARTNET_LAST >> 4, f"a port-address is outside 0 to {ARTNET_LAST}")
    kinds, taken, given, switch_in, switch_out = (bytearray(4) for _ in range(5))
    for index, port in enumerate(ports):
        kinds[index] = port.output << 7 | port.input << 6
        taken[index] = (port.active and port.input) << 7
        given[index] = (port.active and port.output) << 7
        switch_in[index] = port.port_address & 0x0F if port.input else 0
        switch_out[index] = port.port_address & 0x0F if port.output else 0
    packed = IPv4Address(address).packed
    reply = _ART_NET + struct.pack("<H", 0x2100) + packed + struct.pack("<H", ARTNET_PORT)
    reply += struct.pack(">HBBHBB", firmware, base >> 4, base & 0x0F, oem, 0, 0xD0) + struct.pack("<H", esta)
    reply += name_field(short_name, 18) + name_field(long_name, 64) + name_field(report, 64)
    reply += struct.pack(">H", len(ports)) + kinds + taken + given + switch_in + switch_out
    reply += bytes(6) + bytes([style]) + mac[:6].ljust(6, b"\0")
    reply += IPv4Address(bind_address or address).packed + bytes([bind_index, 0x08])
    return reply.ljust(239, b"\0")
