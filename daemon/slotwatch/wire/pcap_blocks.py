"""Write a pcapng capture: its header, one packet, or many at once as they were received, under new IP and UDP headers.

An Enhanced Packet Block is type 6, its length, interface, time in two halves, captured and original length, the
packet padded to four bytes, and its length again (IETF draft-ietf-opsawg-pcapng, section 4.3).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.wire.pcap import CaptureInterface

SECTION, INTERFACE, ENHANCED = 0x0A0D0D0A, 1, 6
_BEFORE, _AFTER = 28, 4
_V4_BYTES, _V6_BYTES, _UDP_BYTES = 20, 40, 8
_MAPPED = np.frombuffer(bytes(10) + b"\xff\xff", np.uint8)
"""RFC 4291 2.5.5.2: the prefix of an IPv4 address."""


@dataclass(slots=True)
class Headers:
    """What IP and UDP headers say of N datagrams."""

    src: NDArray[np.uint8]
    """(N, 16); IPv4 as ::ffff:a.b.c.d."""
    dst: NDArray[np.uint8]
    src_port: NDArray[np.uint16]
    dst_port: NDArray[np.uint16]
    length: NDArray[np.integer]
    """(N,) bytes of UDP payload that were received."""


def packets(
    t_ns: NDArray[np.int64], interface: NDArray[np.integer], headers: Headers, payload: NDArray[np.uint8] | None
) -> NDArray[np.uint8]:
    """Make the blocks of N datagrams, in order.

    t_ns: (N,) nanoseconds since 1970 UTC. payload: (N, >= longest length); None where only the headers are known.
    """
    is_v4 = (headers.src[:, :12] == _MAPPED).all(1)
    before = np.where(is_v4, _V4_BYTES, _V6_BYTES) + _UDP_BYTES
    length = headers.length.astype(np.int64)
    captured = before + (length if payload is not None else 0)
    sizes = _BEFORE + (captured + 3) // 4 * 4 + _AFTER
    starts = np.cumsum(sizes) - sizes
    made = np.zeros(int(sizes.sum()), np.uint8)
    # Packets of one kind and length are made together: nearly always that is all of them.
    kinds = length * 2 + is_v4
    for kind in np.unique(kinds).tolist():
        rows = np.flatnonzero(kinds == kind)
        size, first = int(sizes[rows[0]]), int(before[rows[0]])
        whole = len(rows) == len(sizes)
        block = made.reshape(-1, size) if whole else np.zeros((len(rows), size), np.uint8)
        words = block.view("<u4")
        stamps = t_ns[rows].view(np.uint64)
        words[:, 0], words[:, 1], words[:, -1] = ENHANCED, size, size
        words[:, 2], words[:, 3], words[:, 4] = interface[rows], stamps >> np.uint64(32), stamps & np.uint64(0xFFFFFFFF)
        words[:, 5], words[:, 6] = captured[rows], first + (kind >> 1)
        _write_headers(block[:, _BEFORE : _BEFORE + first], headers, rows, is_v4=bool(kind & 1), length=kind >> 1)
        if payload is not None:
            block[:, _BEFORE + first : _BEFORE + first + (kind >> 1)] = payload[rows, : kind >> 1]
        if not whole:
            made[starts[rows][:, None] + np.arange(size)] = block
    return made


def _write_headers(into: NDArray[np.uint8], headers: Headers, rows: NDArray[np.intp], is_v4: bool, length: int) -> None:
    """Write IP and UDP headers as they must have been, apart from what the kernel does not hand over (hop limit,
    identification). The UDP check sum is 0, "not computed" (RFC 768); under IPv6 readers may remark on it."""
    total = _UDP_BYTES + length
    if is_v4:
        into[:, :12] = np.frombuffer(b"\x45\0" + (20 + total).to_bytes(2, "big") + bytes(4) + b"\x40\x11\0\0", np.uint8)
        into[:, 12:16], into[:, 16:20] = headers.src[rows, 12:], headers.dst[rows, 12:]
        # RFC 1071: the sum of 16-bit words, the carries added, inverted.
        sums = np.ascontiguousarray(into[:, :20]).view(">u2").sum(1, dtype=np.uint32)
        sums = (sums & 0xFFFF) + (sums >> 16)
        sums = 0xFFFF - ((sums & 0xFFFF) + (sums >> 16))
        into[:, 10], into[:, 11] = sums >> 8, sums & 0xFF
        udp = into[:, _V4_BYTES:]
    else:
        into[:, :8] = np.frombuffer(b"\x60\0\0\0" + total.to_bytes(2, "big") + b"\x11\x40", np.uint8)
        into[:, 8:24], into[:, 24:40] = headers.src[rows], headers.dst[rows]
        udp = into[:, _V6_BYTES:]
    for place, ports in ((0, headers.src_port[rows]), (2, headers.dst_port[rows])):
        udp[:, place], udp[:, place + 1] = ports >> 8, ports & 0xFF
    udp[:, 4], udp[:, 5] = total >> 8, total & 0xFF


def _block(kind: int, body: bytes) -> bytes:
    body += bytes(-len(body) % 4)
    length = struct.pack("<I", 12 + len(body))
    return struct.pack("<I", kind) + length + body + length


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)


def header(interfaces: Iterable[CaptureInterface], application: str = "slotwatch") -> bytes:
    """Make the beginning of a pcapng capture with nanosecond stamps."""
    section = struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1) + _option(4, application.encode()) + _option(0, b"")
    blocks = [_block(SECTION, section)]
    for interface in interfaces:
        options = _option(2, interface.name.encode()) if interface.name else b""
        options += _option(9, b"\x09") + _option(0, b"")
        blocks.append(_block(INTERFACE, struct.pack("<HHI", interface.link_type, 0, interface.snap_length) + options))
    return b"".join(blocks)


def packet(t_ns: int, raw: bytes, interface: int = 0, original: int | None = None, comment: str = "") -> bytes:
    """Make one packet of a pcapng capture. t_ns: nanoseconds since 1970 UTC."""
    stamp = struct.pack("<II", t_ns >> 32 & 0xFFFFFFFF, t_ns & 0xFFFFFFFF)
    body = struct.pack("<I", interface) + stamp
    body += struct.pack("<II", len(raw), len(raw) if original is None else original) + raw
    body += bytes(-len(body) % 4)
    if comment:
        body += _option(1, comment.encode()) + _option(0, b"")
    return _block(ENHANCED, body)
