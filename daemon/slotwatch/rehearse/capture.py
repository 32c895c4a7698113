"""A scenario as a capture: pcapng with nanoseconds, Ethernet frames, the groups' own hardware addresses.

Sources: the pcapng draft (draft-ietf-opsawg-pcapng) for blocks; RFC 791, RFC 768, RFC 8200, RFC 826;
RFC 1112 6.4 and RFC 2464 section 7 for multicast hardware addresses. Observations that are packets on a
wire (queries, memberships, neighbours) are written as such; those of the listener itself cannot be.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from ipaddress import ip_address

from slotwatch.rehearse import packets
from slotwatch.rehearse.packets import Sent
from slotwatch.rehearse.stage import Item
from slotwatch.wire.observation import MembershipSeen, NeighbourSeen, QuerySeen

FIRST_NS = 1_790_018_000 * 1_000_000_000
"""Wall time of a scenario's start in its capture: some evening in 2026, always the same."""

_ETHERNET = 1
_UDP, _IGMP = 17, 2
_ROUTER_ALERT = b"\x94\x04\0\0"
"""RFC 2236 section 2: every IGMP message carries it."""


def hardware_address(address: str) -> bytes:
    """Make the hardware address of a host, group or broadcast address. Hosts get a locally administered one."""
    ip = ip_address(address)
    if ip.is_multicast:
        if ip.version == 4:
            low = ip.packed
            return bytes((0x01, 0x00, 0x5E, low[1] & 0x7F, low[2], low[3]))
        return b"\x33\x33" + ip.packed[-4:]
    if ip.version == 4 and ip.packed[3] == 255:
        return b"\xff" * 6
    return b"\x02\x00" + ip.packed[-4:]


def _ipv4(src: str, dst: str, protocol: int, body: bytes, ttl: int, options: bytes = b"") -> bytes:
    words = 5 + len(options) // 4
    head = struct.pack(">BBHHHBBH", 0x40 | words, 0, words * 4 + len(body), 0, 0x4000, ttl, protocol, 0)
    head += ip_address(src).packed + ip_address(dst).packed + options
    return head[:10] + struct.pack(">H", packets.checksum(head)) + head[12:] + body


def _udp(sent: Sent) -> bytes:
    length = 8 + len(sent.payload)
    head = struct.pack(">HHHH", sent.src_port, sent.dst_port, length, 0)
    source, target = ip_address(sent.src).packed, ip_address(sent.dst).packed
    if len(source) == 4:
        pseudo = source + target + struct.pack(">BBH", 0, _UDP, length)
    else:
        pseudo = source + target + struct.pack(">IHBB", length, 0, 0, _UDP)
    total = packets.checksum(pseudo + head + sent.payload) or 0xFFFF
    return head[:6] + struct.pack(">H", total) + sent.payload


def _frame(item: Item) -> tuple[bytes, bytes, int, bytes] | None:
    """(destination, source, ethertype, packet), or None for what no wire carries."""
    if isinstance(item, Sent):
        source = item.mac or hardware_address(item.src)
        if ":" in item.src:
            body = _udp(item)
            head = struct.pack(">IHBB", 6 << 28, len(body), _UDP, item.ttl)
            whole = head + ip_address(item.src).packed + ip_address(item.dst).packed + body
            return hardware_address(item.dst), source, 0x86DD, whole
        return hardware_address(item.dst), source, 0x0800, _ipv4(item.src, item.dst, _UDP, _udp(item), item.ttl)
    if isinstance(item, QuerySeen) and item.version.startswith("igmp"):
        body = packets.igmp_query(item.version, item.max_response_s, item.interval_s)
        return _igmp(item.querier, "224.0.0.1", body)
    if isinstance(item, MembershipSeen):
        target = item.group if item.joined else "224.0.0.2"
        return _igmp(item.host, target, packets.igmp_report(item.group, item.joined))
    if isinstance(item, NeighbourSeen) and item.mac:
        return _arp(item.address, bytes.fromhex(item.mac.replace(":", "")))
    return None


def _igmp(host: str, target: str, body: bytes) -> tuple[bytes, bytes, int, bytes]:
    packet = _ipv4(host, target, _IGMP, body, 1, _ROUTER_ALERT)
    return hardware_address(target), hardware_address(host), 0x0800, packet


def _arp(address: str, mac: bytes) -> tuple[bytes, bytes, int, bytes]:
    """A gratuitous announcement (RFC 5227 2.3): sender and target address are the same."""
    ip = ip_address(address).packed
    body = struct.pack(">HHBBH", 1, 0x0800, 6, 4, 1) + mac + ip + bytes(6) + ip
    return b"\xff" * 6, mac, 0x0806, body


def ethernet(item: Item) -> bytes | None:
    """Make the Ethernet frame of an item, at least 60 bytes long; None for what no wire carries."""
    made = _frame(item)
    if made is None:
        return None
    target, source, kind, packet = made
    return (target + source + struct.pack(">H", kind) + packet).ljust(60, b"\0")


def _block(kind: int, body: bytes) -> bytes:
    body += bytes(-len(body) % 4)
    length = 12 + len(body)
    return struct.pack("<II", kind, length) + body + struct.pack("<I", length)


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) % 4)


def pcapng(items: Iterable[Item], interfaces: tuple[str, ...] = ("eth1",), first_ns: int = FIRST_NS) -> Iterator[bytes]:
    """Yield the blocks of a capture; one interface a network, in the house's order."""
    yield _block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))
    for name in interfaces:
        options = _option(2, name.encode()) + _option(9, b"\x09") + _option(0, b"")
        yield _block(1, struct.pack("<HHI", _ETHERNET, 0, 0) + options)
    for item in items:
        frame = ethernet(item)
        if frame is None:
            continue
        network = item.network if hasattr(item, "network") and item.network < len(interfaces) else 0
        t_ns = first_ns + item.t_ns
        head = struct.pack("<IIIII", network, t_ns >> 32, t_ns & 0xFFFFFFFF, len(frame), len(frame))
        yield _block(6, head + frame)
