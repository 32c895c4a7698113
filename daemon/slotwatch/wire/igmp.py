"""Read IGMP, MLD and ARP: queriers, hosts that join and leave groups, and device addresses.

Sources: RFC 1112 appendix I (IGMPv1), RFC 2236 (v2), RFC 9776 (v3, which obsoletes RFC 3376), RFC 2710 (MLDv1),
RFC 9777 (MLDv2, which obsoletes RFC 3810), RFC 826 (ARP). Any octets at all are taken; what cannot be read is
nothing, never an error.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

from slotwatch.wire.observation import MembershipSeen, NeighbourSeen, QuerySeen

MOST_RECORDS = 512
"""Group records read of one report: a full Ethernet frame holds 183 of IGMPv3's smallest."""
NO_ADDRESS = ("0.0.0.0", "::")

_QUERY, _V1_REPORT, _V2_REPORT, _LEAVE, _V3_REPORT = 0x11, 0x12, 0x16, 0x17, 0x22
_MLD_QUERY, _MLD_REPORT, _MLD_DONE, _MLD2_REPORT = 130, 131, 132, 143


@dataclass(frozen=True, slots=True)
class Query:
    """A query for members. `group` is empty in a general query."""

    version: str
    """igmp1 | igmp2 | igmp3 | mld1 | mld2."""
    group: str
    max_response_s: float
    interval_s: float | None = None
    """Querier's Query Interval; None before v3 and MLDv2."""
    robustness: int | None = None


@dataclass(frozen=True, slots=True)
class Membership:
    """A host joins or leaves a group."""

    version: str
    group: str
    joined: bool


Message = Query | Membership


def read_igmp(octets: bytes) -> list[Message]:
    """Read one IGMP message (without its IP header)."""
    if len(octets) < 8:
        return []
    kind, code = octets[0], octets[1]
    group = str(IPv4Address(octets[4:8]))
    if kind == _QUERY:
        asked = "" if group == "0.0.0.0" else group
        if len(octets) >= 12:
            # 4.1.1 and 4.1.7: from 128 on a small floating-point number.
            robustness, interval = octets[8] & 0x07, _floating8(octets[9])
            return [Query("igmp3", asked, _floating8(code) / 10, float(interval), robustness)]
        # A query of eight octets with code 0 is version 1, whose hosts answer within 10 s (7.1 of RFC 9776).
        return [Query("igmp2", asked, code / 10)] if code else [Query("igmp1", asked, 10.0)]
    if kind in (_V1_REPORT, _V2_REPORT):
        return [Membership("igmp1" if kind == _V1_REPORT else "igmp2", group, joined=True)]
    if kind == _LEAVE:
        return [Membership("igmp2", group, joined=False)]
    if kind == _V3_REPORT:
        return _records(octets, "igmp3", 4)
    return []


def is_intact(message: bytes) -> bool:
    """Whether an IGMP message's checksum holds. RFC 2236 2.3: it is checked before the message is processed.

    message: all octets of the IP payload; the sum runs over all of them, read or not.
    """
    padded = message + bytes(len(message) % 2)
    total: int = sum(struct.unpack(f">{len(padded) // 2}H", padded))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total == 0xFFFF


def read_mld(octets: bytes) -> list[Message]:
    """Read one ICMPv6 message (without its IPv6 headers); other than MLD gives nothing."""
    if len(octets) < 8:
        return []
    kind = octets[0]
    if kind == _MLD2_REPORT:
        return _records(octets, "mld2", 16)
    if kind not in (_MLD_QUERY, _MLD_REPORT, _MLD_DONE) or len(octets) < 24:
        return []
    group = str(IPv6Address(octets[8:24]))
    if kind == _MLD_QUERY:
        (code,) = struct.unpack_from(">H", octets, 4)
        asked = "" if group == "::" else group
        if len(octets) >= 28:
            robustness, interval = octets[24] & 0x07, _floating8(octets[25])
            return [Query("mld2", asked, _floating16(code) / 1000, float(interval), robustness)]
        return [Query("mld1", asked, code / 1000)]
    return [Membership("mld1", group, joined=kind == _MLD_REPORT)]


def _floating8(code: int) -> int:
    """RFC 9776 4.1.1: under 128 the value itself, else 1 exp(3) mant(4)."""
    return code if code < 128 else (code & 0x0F | 0x10) << ((code >> 4 & 0x07) + 3)


def _floating16(code: int) -> int:
    """RFC 9777 5.1.3: under 32768 the value itself, else 1 exp(3) mant(12)."""
    return code if code < 32768 else (code & 0x0FFF | 0x1000) << ((code >> 12 & 0x07) + 3)


def _records(octets: bytes, version: str, size: int) -> list[Message]:
    """Read the group records of an IGMPv3 or MLDv2 report."""
    (count,) = struct.unpack_from(">H", octets, 6)
    found: list[Message] = []
    place = 8
    for _ in range(min(count, MOST_RECORDS)):
        if place + 4 + size > len(octets):
            break
        kind, auxiliary, sources = struct.unpack_from(">BBH", octets, place)
        raw = octets[place + 4 : place + 4 + size]
        group = str(IPv4Address(raw) if size == 4 else IPv6Address(raw))
        place += 4 + size + sources * size + auxiliary * 4
        # 4.2.12: including nothing is leaving; excluding, or including some source, is being a member.
        if kind in (2, 4):
            found.append(Membership(version, group, joined=True))
        elif kind in (1, 3):
            found.append(Membership(version, group, joined=sources > 0))
        elif kind == 5:
            found.append(Membership(version, group, joined=True))
    return found


def seen(messages: list[Message], host: str, t_ns: int, network: int) -> list[QuerySeen | MembershipSeen]:
    """Turn messages of one packet into observations. Only general queries show a querier at work."""
    found: list[QuerySeen | MembershipSeen] = []
    for message in messages:
        if isinstance(message, Membership):
            found.append(MembershipSeen(t_ns, network, host, message.group, message.joined, message.version))
        elif not message.group:
            found.append(QuerySeen(t_ns, network, host, message.version, message.max_response_s, message.interval_s))
    return found


def observations(packet: bytes, t_ns: int, network: int) -> list[QuerySeen | MembershipSeen]:
    """Read a whole IPv4 or IPv6 packet, header first; other than IGMP and MLD gives nothing."""
    if not packet:
        return []
    if packet[0] >> 4 == 4:
        header = (packet[0] & 0x0F) * 4
        if len(packet) < max(header, 20) or packet[9] != 2 or header < 20:
            return []
        (total,) = struct.unpack_from(">H", packet, 2)
        end = min(len(packet), total) if total else len(packet)
        if not is_intact(packet[header:end]):
            return []
        return seen(read_igmp(packet[header:end]), str(IPv4Address(packet[12:16])), t_ns, network)
    if packet[0] >> 4 == 6 and len(packet) >= 40:
        following, place = packet[6], 40
        for _ in range(8):
            if following not in (0, 43, 60) or place + 8 > len(packet):
                break
            following, place = packet[place], place + packet[place + 1] * 8 + 8
        if following == 58:
            end = min(len(packet), 40 + struct.unpack_from(">H", packet, 4)[0])
            return seen(read_mld(packet[place:end]), str(IPv6Address(packet[8:24])), t_ns, network)
    return []


def neighbour(octets: bytes, t_ns: int, network: int) -> NeighbourSeen | None:
    """Read an ARP packet for Ethernet and IPv4: its sender says which hardware has its address.

    A probe (sender 0.0.0.0, RFC 5227) claims nothing yet, so it gives nothing.
    """
    if len(octets) < 28:
        return None
    hardware, kind, hardware_size, size, operation = struct.unpack_from(">HHBBH", octets)
    if (hardware, kind, hardware_size, size) != (1, 0x0800, 6, 4) or operation not in (1, 2):
        return None
    address = str(IPv4Address(octets[14:18]))
    if address in NO_ADDRESS:
        return None
    return NeighbourSeen(t_ns, network, address, octets[8:14].hex(":"), reachable=True)
