"""Read what only some packets carry and only people need: names, discovery lists, poll replies, addresses.

These work on one row at a time, and only once the array decoder has accepted it.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address

import numpy as np
from numpy.typing import NDArray

from slotwatch.printable import visible

RawBytes = NDArray[np.uint8] | bytes | bytearray | memoryview

_MAPPED_PREFIX = bytes(10) + b"\xff\xff"
_REPLY_BYTES = 239


@dataclass(frozen=True, slots=True)
class DiscoveryPage:
    """One page of a source's list of universes (E1.31 section 8)."""

    page: int
    last: int
    universes: tuple[int, ...]
    """As sent; numbers that no universe can have (0, over 63999) are left out."""


@dataclass(frozen=True, slots=True)
class Port:
    """One of the up to four ports that a poll reply describes."""

    output: bool
    """Can put Art-Net out onto a line."""
    input: bool
    """Can take a line in."""
    format: int
    """0 DMX512; others as numbered by the protocol."""
    output_address: int
    """15-bit port-address that its output shows."""
    input_address: int
    input_active: bool
    input_errors: bool
    input_disabled: bool
    output_active: bool
    output_merging: bool
    output_short: bool
    output_latest: bool
    """Merges by latest and not by highest."""
    output_from_e131: bool
    rdm_off: bool
    continuous: bool


@dataclass(frozen=True, slots=True)
class PollReply:
    """What a node announces. Nodes with more than four ports send several, distinguished by bind_index."""

    address: str
    bind_address: str
    bind_index: int
    port: int
    firmware: int
    oem: int
    esta: int
    style: int
    """0 node, 1 controller, 2 media, 3 route, 4 backup, 5 config, 6 visual."""
    short_name: str
    long_name: str
    report: str
    mac: str
    """Empty where the reply holds none."""
    ports: tuple[Port, ...]
    acn_priority: int
    status1: int
    status2: int
    status3: int
    refresh_hz: int
    """Highest rate it takes; 0 to 44: the DMX512 maximum."""
    responder_uid: bytes

    @property
    def output_addresses(self) -> tuple[int, ...]:
        """Port-addresses that this node wants to be sent."""
        return tuple(port.output_address for port in self.ports if port.output)

    @property
    def fifteen_bit(self) -> bool:
        return bool(self.status2 & 0x08)

    @property
    def failsafe(self) -> str:
        """What its outputs do on network loss: hold | zero | full | scene."""
        return ("hold", "zero", "full", "scene")[self.status3 >> 6]


def text(raw: RawBytes) -> str:
    """Read a name field: to its NUL, UTF-8 with replacement, without control characters, outer blanks cut.

    What the network sends is shown to people and used in metrics, so nothing that moves a cursor,
    turns the direction of writing or hides comes through.
    """
    signs = bytes(raw).split(b"\0", 1)[0].decode("utf-8", "replace")
    return visible(signs).strip()


def source_name(row: RawBytes) -> str:
    """Read the name of an accepted E1.31 data or discovery packet: at most 64 bytes' worth."""
    return text(row[44:108])


def discovery_page(row: RawBytes, length: int) -> DiscoveryPage:
    """Read an accepted discovery packet of this many bytes. Never reads past them, whatever they claim."""
    packet = bytes(row[: min(length, 1144)])
    if len(packet) < 120:
        raise ValueError(f"{len(packet)} bytes: a discovery page has at least 120")
    claimed = (struct.unpack_from(">H", packet, 112)[0] & 0x0FFF) - 8
    count = max(0, min(claimed, len(packet) - 120, 1024)) // 2
    numbers = struct.unpack_from(f">{count}H", packet, 120)
    return DiscoveryPage(packet[118], packet[119], tuple(number for number in numbers if 1 <= number <= 63999))


def poll_reply(row: RawBytes, length: int) -> PollReply:
    """Read an accepted poll reply of this many bytes. What an older node leaves out reads as zeros."""
    packet = bytes(row[: min(length, _REPLY_BYTES)])
    if len(packet) < 198:
        raise ValueError(f"{len(packet)} bytes: a poll reply has at least 198")
    packet = packet.ljust(_REPLY_BYTES, b"\0")
    port, firmware, net, sub, oem, _, status1, esta = _head(packet)
    count = min(struct.unpack_from(">H", packet, 172)[0], 4)
    base = (net & 0x7F) << 8 | (sub & 0x0F) << 4
    mac = packet[201:207]
    return PollReply(
        address=str(IPv4Address(packet[10:14])),
        bind_address=str(IPv4Address(packet[207:211])),
        bind_index=packet[211],
        port=port,
        firmware=firmware,
        oem=oem,
        esta=esta,
        style=packet[200],
        short_name=text(packet[26:44]),
        long_name=text(packet[44:108]),
        report=text(packet[108:172]),
        mac=mac.hex(":") if any(mac) else "",
        ports=tuple(_port(packet, index, base) for index in range(count)),
        acn_priority=packet[194],
        status1=status1,
        status2=packet[212],
        status3=packet[217],
        refresh_hz=struct.unpack_from(">H", packet, 226)[0],
        responder_uid=packet[218:224],
    )


def _head(packet: bytes) -> tuple[int, int, int, int, int, int, int, int]:
    """Read bytes 14 to 25, whose byte order changes from field to field."""
    port, esta = struct.unpack_from("<H", packet, 14)[0], struct.unpack_from("<H", packet, 24)[0]
    firmware, net, sub, oem, ubea, status1 = struct.unpack_from(">HBBHBB", packet, 16)
    return port, firmware, net, sub, oem, ubea, status1, esta


def _port(packet: bytes, index: int, base: int) -> Port:
    kind, taken, given = packet[174 + index], packet[178 + index], packet[182 + index]
    given_b = packet[213 + index]
    return Port(
        output=bool(kind & 0x80),
        input=bool(kind & 0x40),
        format=kind & 0x3F,
        output_address=base | packet[190 + index] & 0x0F,
        input_address=base | packet[186 + index] & 0x0F,
        input_active=bool(taken & 0x80),
        input_errors=bool(taken & 0x04),
        input_disabled=bool(taken & 0x08),
        output_active=bool(given & 0x80),
        output_merging=bool(given & 0x08),
        output_short=bool(given & 0x04),
        output_latest=bool(given & 0x02),
        output_from_e131=bool(given & 0x01),
        rdm_off=bool(given_b & 0x80),
        continuous=bool(given_b & 0x40),
    )


def address_text(raw: RawBytes) -> str:
    """Write a 16-octet address as people do: IPv4 where it is mapped, else IPv6; empty if it is all zeros."""
    packed = bytes(raw)
    if packed.startswith(_MAPPED_PREFIX):
        return str(IPv4Address(packed[12:]))
    return str(IPv6Address(packed)) if any(packed) else ""
