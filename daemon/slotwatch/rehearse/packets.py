"""Packets as bytes, built by hand from the standards' byte tables.

Nothing here is shared with `wire`: where both agree, two readings of the standard agree.
Sources: ANSI E1.31-2018 tables 4-1 to 4-3; the Art-Net 4 field tables; RFC 2236 and RFC 3376 for IGMP.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

E131_PORT = 5568
ARTNET_PORT = 6454
LINE_PORT = 0
"""Of frames of a tapped line, which come by no network; their source port is the number of the line."""
DISCOVERY_UNIVERSE = 64214

PREVIEW = 0x80
TERMINATED = 0x40
FORCE_SYNC = 0x20

SLOT_PRIORITY = 0xDD

_ROOT = bytes.fromhex("00100000") + b"ASC-E1.17\0\0\0"
_ART = b"Art-Net\0"


@dataclass(frozen=True, slots=True)
class Sent:
    """One datagram as it reaches the listener's port. Times are nanoseconds from the scenario's start."""

    t_ns: int
    network: int
    src: str
    src_port: int
    dst: str
    dst_port: int
    payload: bytes
    ttl: int = 1
    mac: bytes = b""
    """Sender's hardware address; empty: made from its address."""


def group(universe: int) -> str:
    """E1.31 table 9-10: 239.255 and the universe's two bytes."""
    return f"239.255.{universe >> 8}.{universe & 0xFF}"


def group_v6(universe: int) -> str:
    """E1.31 table 9-12: ff18::83:00 and the universe's two bytes."""
    return f"ff18::8300:{universe:x}"


def _flagged(length: int) -> bytes:
    return struct.pack(">H", 0x7000 | length)


def _name(text: str) -> bytes:
    """64 bytes, NUL-terminated inside them (6.2.2)."""
    return text.encode()[:63].ljust(64, b"\0")


def e131_data(
    cid: bytes,
    name: str,
    universe: int,
    sequence: int,
    slots: bytes,
    *,
    priority: int = 100,
    options: int = 0,
    sync_address: int = 0,
    start_code: int = 0,
) -> bytes:
    """One data packet: 126 bytes and the slots (table 4-1)."""
    count = len(slots)
    return b"".join(
        (
            _ROOT,
            _flagged(110 + count),
            b"\0\0\0\x04",
            cid,
            _flagged(88 + count),
            b"\0\0\0\x02",
            _name(name),
            struct.pack(">BHBBH", priority, sync_address, sequence & 0xFF, options, universe),
            _flagged(11 + count),
            b"\x02\xa1\0\0\0\x01",
            struct.pack(">HB", count + 1, start_code),
            slots,
        )
    )


def e131_sync(cid: bytes, sequence: int, address: int) -> bytes:
    """One synchronization packet, 49 bytes (table 4-2)."""
    frame = b"\0\0\0\x01" + struct.pack(">BHH", sequence & 0xFF, address, 0)
    return _ROOT + _flagged(33) + b"\0\0\0\x08" + cid + _flagged(11) + frame


def e131_discovery(cid: bytes, name: str, universes: list[int]) -> list[bytes]:
    """The pages of a discovery list, 512 universes each (table 4-3)."""
    ordered = sorted(universes)
    pages = [ordered[first : first + 512] for first in range(0, len(ordered), 512)] or [[]]
    made = []
    for number, page in enumerate(pages):
        body = b"\0\0\0\x01" + bytes((number, len(pages) - 1)) + struct.pack(f">{len(page)}H", *page)
        layer = _flagged(len(body) + 2) + body
        frame = b"\0\0\0\x02" + _name(name) + b"\0\0\0\0" + layer
        made.append(_ROOT + _flagged(24 + len(frame)) + b"\0\0\0\x08" + cid + _flagged(2 + len(frame)) + frame)
    return made


def art_dmx(port_address: int, sequence: int, slots: bytes, *, physical: int = 0, length: int | None = None) -> bytes:
    """One Dmx packet, 18 bytes and the slots. `length` lies about how many there are."""
    head = _ART + b"\0\x50\0\x0e" + bytes((sequence & 0xFF, physical))
    return head + struct.pack("<H", port_address) + struct.pack(">H", len(slots) if length is None else length) + slots


def art_sync() -> bytes:
    return _ART + b"\0\x52\0\x0e\0\0"


def art_poll(flags: int = 0x06) -> bytes:
    return _ART + b"\0\x20\0\x0e" + bytes((flags, 0x10))


def art_poll_reply(
    address: str, short_name: str, outputs: list[int], *, bind_index: int = 1, good_output: int = 0x80
) -> bytes:
    """A node's reply, 239 bytes, that lists up to four output port-addresses of one net and sub-net.

    good_output: the state of each output; 0x80: levels go out, 0x01: it takes E1.31.
    """
    first = outputs[0] if outputs else 0
    switches = bytes(number & 0x0F for number in outputs[:4]).ljust(4, b"\0")
    ip = bytes(int(part) for part in address.split("."))
    reply = bytearray(239)
    reply[0:10] = _ART + b"\0\x21"
    reply[10:14] = ip
    reply[14:16] = b"\x36\x19"
    reply[18:20] = bytes((first >> 8, (first >> 4) & 0x0F))
    reply[26:44] = short_name.encode()[:17].ljust(18, b"\0")
    reply[44:108] = short_name.encode()[:63].ljust(64, b"\0")
    reply[108:172] = b"#0001 [0001] ok".ljust(64, b"\0")
    reply[172:174] = struct.pack(">H", min(len(outputs), 4))
    reply[174:178] = bytes(0x80 for _ in outputs[:4]).ljust(4, b"\0")
    reply[182:186] = bytes(good_output for _ in outputs[:4]).ljust(4, b"\0")
    reply[190:194] = switches
    reply[201:207] = b"\x02\0" + ip
    reply[207:211] = ip
    reply[211] = bind_index
    reply[212] = 0x08
    return bytes(reply)


def checksum(message: bytes) -> int:
    """The internet checksum (RFC 1071)."""
    if len(message) % 2:
        message += b"\0"
    total: int = sum(struct.unpack(f">{len(message) // 2}H", message))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def _igmp(kind: int, code: int, address: bytes, more: bytes = b"") -> bytes:
    bare = bytes((kind, code, 0, 0)) + address + more
    return bare[:2] + struct.pack(">H", checksum(bare)) + bare[4:]


def igmp_query(version: str, max_response_s: float, interval_s: float | None) -> bytes:
    """A general query: RFC 2236 section 2 for v1 and v2, RFC 3376 section 4.1 for v3."""
    code = 0 if version == "igmp1" else min(round(max_response_s * 10), 127)
    more = bytes((0x02, min(round(interval_s or 125), 127), 0, 0)) if version == "igmp3" else b""
    return _igmp(0x11, code, bytes(4), more)


def igmp_report(group_address: str, joined: bool) -> bytes:
    """A version 2 report (0x16) or leave (0x17)."""
    return _igmp(0x16 if joined else 0x17, 0, bytes(int(part) for part in group_address.split(".")))
