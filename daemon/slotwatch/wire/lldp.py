"""Read LLDP: what the switch says of itself, and of the port at the other end of this computer's lead.

Source: IEEE 802.1AB-2016 8 (the LLDPDU and its basic TLVs), IEEE 802.1Q annex D (port VLAN), IEEE 802.3 79.3.1 (the
operational MAU type is not read: a link's own speed is known here). Any octets at all are taken; what cannot be read
is nothing, never an error.
"""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

ETHERTYPE = 0x88CC
NEAREST_BRIDGE = "0180c200000e"
"""Destination of what goes no further than the other end of the lead (802.1AB 7.1)."""
MOST_TLVS = 256
MOST_LETTERS = 255
"""Longest text of a TLV (802.1AB 8.5.5 to 8.5.7)."""

_END, _CHASSIS, _PORT, _TTL, _PORT_DESCRIPTION, _NAME, _DESCRIPTION = range(7)
_MANAGEMENT, _ORGANISATION = 8, 127
_MAC_SUBTYPES = {_CHASSIS: 4, _PORT: 3}
_ADDRESS_SUBTYPES = {_CHASSIS: 5, _PORT: 4}
_IEEE_802_1 = b"\x00\x80\xc2"
_PORT_VLAN = 1


@dataclass(frozen=True, slots=True)
class Announcement:
    """One LLDPDU."""

    chassis: str
    """A device address as `02:00:00:00:00:01`, an IP address, or text."""
    port: str
    """As its switch calls the port: a number, a name or a device address."""
    ttl_s: int
    """How long it holds; 0: the port is being shut down (802.1AB 8.5.4)."""
    port_description: str = ""
    system_name: str = ""
    system_description: str = ""
    management_address: str = ""
    vlan: int | None = None
    """Port VLAN; None: not announced, or it has none."""


def read_lldp(octets: bytes) -> Announcement | None:
    """Read an LLDPDU, without its Ethernet header. None where the three TLVs that must come first do not."""
    tlvs = _tlvs(octets)
    # 802.1AB 9.2.7.7.1: chassis, port and time to live, in this order.
    if [kind for kind, _ in tlvs[:3]] != [_CHASSIS, _PORT, _TTL] or len(tlvs[2][1]) < 2:
        return None
    chassis, port = _identity(_CHASSIS, tlvs[0][1]), _identity(_PORT, tlvs[1][1])
    if not chassis or not port:
        return None
    texts: dict[int, str] = {}
    management, vlan = "", None
    for kind, value in tlvs[3:]:
        if kind in (_PORT_DESCRIPTION, _NAME, _DESCRIPTION):
            texts.setdefault(kind, _text(value))
        elif kind == _MANAGEMENT:
            management = management or _management(value)
        elif kind == _ORGANISATION and value[:4] == _IEEE_802_1 + bytes([_PORT_VLAN]) and len(value) >= 6:
            vlan = int.from_bytes(value[4:6], "big") or None
    return Announcement(
        chassis,
        port,
        int.from_bytes(tlvs[2][1][:2], "big"),
        texts.get(_PORT_DESCRIPTION, ""),
        texts.get(_NAME, ""),
        texts.get(_DESCRIPTION, ""),
        management,
        vlan,
    )


def _tlvs(octets: bytes) -> list[tuple[int, bytes]]:
    """(type, value) up to the end; a TLV that is longer than what is there ends it too."""
    found: list[tuple[int, bytes]] = []
    at = 0
    while at + 2 <= len(octets) and len(found) < MOST_TLVS:
        head = int.from_bytes(octets[at : at + 2], "big")
        kind, size = head >> 9, head & 0x1FF
        value = octets[at + 2 : at + 2 + size]
        if kind == _END or len(value) < size:
            break
        found.append((kind, value))
        at += 2 + size
    return found


def _identity(kind: int, value: bytes) -> str:
    subtype, rest = value[:1], value[1:]
    if subtype == bytes([_MAC_SUBTYPES[kind]]) and len(rest) == 6:
        return rest.hex(":")
    if subtype == bytes([_ADDRESS_SUBTYPES[kind]]):
        return _address(rest)
    return _text(rest)


def _management(value: bytes) -> str:
    size = value[0] if value else 0
    return _address(value[1 : 1 + size])


def _address(octets: bytes) -> str:
    """An address after its family: 1 IPv4, 2 IPv6 (IANA address family numbers)."""
    family, rest = octets[:1], octets[1:]
    if family == b"\x01" and len(rest) == 4:
        return str(IPv4Address(rest))
    if family == b"\x02" and len(rest) == 16:
        return str(IPv6Address(rest))
    return ""


def _text(value: bytes) -> str:
    """One plain line."""
    words = value[:MOST_LETTERS].decode("utf-8", "replace").replace("\0", " ").split()
    return " ".join("".join(letter for letter in word if letter.isprintable()) for word in words)
