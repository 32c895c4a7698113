"""Frames and captures built by hand with `struct`, for tests of the reading side."""

from __future__ import annotations

import struct
from ipaddress import ip_address

MAC = bytes.fromhex("01005e7f0007020000000001")


def udp(payload: bytes, src_port: int = 5568, dst_port: int = 5568, length: int | None = None) -> bytes:
    return struct.pack(">HHHH", src_port, dst_port, 8 + len(payload) if length is None else length, 0) + payload


def ipv4(
    body: bytes,
    protocol: int = 17,
    src: str = "10.0.0.1",
    dst: str = "239.255.0.7",
    options: bytes = b"",
    fragment: int = 0,
    total: int | None = None,
) -> bytes:
    words = 5 + len(options) // 4
    size = words * 4 + len(body) if total is None else total
    head = struct.pack(">BBHHHBBH", 0x40 | words, 0, size, 1, fragment, 1, protocol, 0)
    return head + ip_address(src).packed + ip_address(dst).packed + options + body


def ipv6(
    body: bytes, following: int = 17, extensions: bytes = b"", src: str = "fe80::1", dst: str = "ff18::8300:7"
) -> bytes:
    body = extensions + body
    head = struct.pack(">IHBB", 6 << 28, len(body), following, 1)
    return head + ip_address(src).packed + ip_address(dst).packed + body


def ethernet(packet: bytes, kind: int = 0x0800, tags: tuple[tuple[int, int], ...] = ()) -> bytes:
    tagged = b"".join(struct.pack(">HH", tag, vlan) for tag, vlan in tags)
    return MAC + tagged + struct.pack(">H", kind) + packet


def pcap(
    frames: list[tuple[int, bytes]], *, order: str = "<", nano: bool = False, link: int = 1, snap: int = 262144
) -> bytes:
    """Make a classic capture of (nanoseconds, frame)."""
    out = struct.pack(order + "IHHiIII", 0xA1B23C4D if nano else 0xA1B2C3D4, 2, 4, 0, 0, snap, link)
    for t_ns, frame in frames:
        part = t_ns % 1_000_000_000 // (1 if nano else 1000)
        kept = frame[:snap]
        out += struct.pack(order + "IIII", t_ns // 1_000_000_000, part, len(kept), len(frame)) + kept
    return out


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    body += bytes(-len(body) % 4)
    return struct.pack(order + "II", kind, 12 + len(body)) + body + struct.pack(order + "I", 12 + len(body))


def section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(
    link: int = 1,
    resolution: int | None = None,
    offset_s: int | None = None,
    name: str = "",
    order: str = "<",
    snap: int = 0,
) -> bytes:
    def option(code: int, value: bytes) -> bytes:
        return struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)

    options = option(2, name.encode()) if name else b""
    if resolution is not None:
        options += option(9, bytes([resolution]))
    if offset_s is not None:
        options += option(14, struct.pack(order + "q", offset_s))
    return block(1, struct.pack(order + "HHI", link, 0, snap) + options + (option(0, b"") if options else b""), order)


def enhanced(ticks: int, frame: bytes, number: int = 0, order: str = "<", original: int | None = None) -> bytes:
    head = struct.pack(
        order + "IIIII",
        number,
        ticks >> 32,
        ticks & 0xFFFFFFFF,
        len(frame),
        len(frame) if original is None else original,
    )
    return block(6, head + frame, order)


def simple(frame: bytes, order: str = "<", original: int | None = None) -> bytes:
    return block(3, struct.pack(order + "I", len(frame) if original is None else original) + frame, order)
