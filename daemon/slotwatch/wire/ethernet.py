"""Find UDP payloads, and what else is of use, in captured frames: in array form, over whole pieces of a capture.

Sources: IEEE 802.1Q for tags; RFC 791, RFC 8200 for the headers; RFC 768; the link-layer header types of
tcpdump.org for cooked (113, 276), raw (101, 228, 229), null (0) and loop (108) captures.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slotwatch.wire.pcap import Records, overlapping

ETHERNET, NULL, LOOP, COOKED, COOKED_2 = 1, 0, 108, 113, 276
RAW, RAW_IPV4, RAW_IPV6 = (101, 12, 14), 228, 229
IPV4, IPV6, ARP = 0x0800, 0x86DD, 0x0806
TAGS = (0x8100, 0x88A8, 0x9100)
MPLS = (0x8847, 0x8848)
"""RFC 3032 5."""
PPPOE_DISCOVERY, PPPOE_SESSION = 0x8863, 0x8864
"""RFC 2516 4."""
MOST_TAGS = 3
UDP, IGMP, ICMPV6 = 17, 2, 58
MLD_TYPES = (130, 131, 132, 143)
NO_VLAN = 0xFFFF
_FAMILIES_V6 = (10, 24, 28, 30)
"""What different systems call IPv6 in a null header."""
_EXTENSIONS = (0, 43, 60)
_FRAGMENT = 44

Rows = NDArray[np.int64]


@dataclass(slots=True)
class Counts:
    """Frames that gave no datagram, by why."""

    frames: int = 0
    udp: int = 0
    arp: int = 0
    groups: int = 0
    """IGMP and MLD messages."""
    other_link_types: int = 0
    mpls: int = 0
    pppoe: int = 0
    not_ip: int = 0
    """Neither IP nor ARP."""
    not_udp: int = 0
    """IP, and neither UDP nor a message about groups."""
    fragments: int = 0
    malformed: int = 0
    """IP or UDP lengths that contradict the bytes."""
    cut: int = 0
    """The capture kept too little of the frame."""
    vlans: set[int] = field(default_factory=set)


@dataclass(slots=True)
class Datagrams:
    """UDP datagrams of some frames, as columns."""

    frame: Rows
    """(N,) index of the frame."""
    payload: Rows
    """(N,) where the payload begins in `Records.data`."""
    length: Rows
    """(N,) bytes of payload, all of them captured."""
    src: NDArray[np.uint8]
    dst: NDArray[np.uint8]
    """(N, 16) as in `wire.batch`."""
    src_port: NDArray[np.uint16]
    dst_port: NDArray[np.uint16]


@dataclass(slots=True)
class Dissected:
    """What the frames of a piece hold."""

    datagrams: Datagrams
    vlan: NDArray[np.uint16]
    """(frames,) innermost VLAN, NO_VLAN without a tag."""
    arp: list[tuple[int, int, int]]
    """(frame, begin, end) of each ARP packet."""
    igmp: list[tuple[int, int, int, bytes]]
    """(frame, begin, end, source address) of each IGMP message."""
    icmpv6: list[tuple[int, int, int, bytes]]
    hidden: NDArray[np.bool_]
    """(frames,) may hold a datagram that cannot be read: cut short, another link type, MPLS or PPPoE."""
    hidden_port: Rows
    """(frames,) destination port of a hidden datagram, -1 where it is hidden too."""


@dataclass(slots=True)
class _Walk:
    """Where each frame's next header begins and what it is. Columns over all frames of the piece."""

    data: NDArray[np.uint8]
    at: Rows
    end: Rows
    kind: Rows
    alive: NDArray[np.bool_]
    is_cut: NDArray[np.bool_]
    hidden: NDArray[np.bool_]
    hidden_port: Rows

    def word(self, rows: Rows | slice, offset: int) -> Rows:
        """Read a big-endian 16-bit field of each row's header. Behind a row's end it reads whatever is there."""
        return overlapping(self.data, ">u2")[self.at[rows] + offset].astype(np.int64)

    def byte(self, rows: Rows | slice, offset: int) -> Rows:
        return self.data[self.at[rows] + offset].astype(np.int64)

    def drop(self, rows: Rows) -> int:
        self.alive[rows] = False
        return len(rows)


def dissect(records: Records, link_types: NDArray[np.int64], counts: Counts) -> Dissected:
    """Find the datagrams of a piece. link_types: (N,) of each record's interface. Adds to the counts.

    Every read is bounded: offsets only grow past a header that is within its frame's captured bytes, and
    SLACK zeros follow the piece.
    """
    walk = _Walk(
        data=records.data,
        at=records.start.copy(),
        end=records.start + records.captured,
        kind=np.zeros(len(records.start), np.int64),
        alive=np.ones(len(records.start), np.bool_),
        is_cut=records.captured < records.original,
        hidden=np.zeros(len(records.start), np.bool_),
        hidden_port=np.full(len(records.start), -1, np.int64),
    )
    counts.frames += len(records.start)
    for link_type in np.unique(link_types):
        _link(walk, int(link_type), np.flatnonzero(link_types == link_type), counts)
    vlan = _tags(walk)
    counts.vlans.update(int(v) for v in np.unique(vlan) if v != NO_VLAN and len(counts.vlans) < 4096)
    _short(walk, np.flatnonzero(walk.alive & (walk.at > walk.end)), counts)
    counts.mpls += _hide(walk, np.flatnonzero(walk.alive & np.isin(walk.kind, MPLS)))
    counts.pppoe += _hide(walk, np.flatnonzero(walk.alive & (walk.kind == PPPOE_SESSION)))
    counts.pppoe += walk.drop(np.flatnonzero(walk.alive & (walk.kind == PPPOE_DISCOVERY)))
    arp_rows = np.flatnonzero(walk.alive & (walk.kind == ARP))
    counts.arp += len(arp_rows)
    arp = [(int(row), int(walk.at[row]), int(walk.end[row])) for row in arp_rows]
    v4 = np.flatnonzero(walk.alive & (walk.kind == IPV4))
    v6 = np.flatnonzero(walk.alive & (walk.kind == IPV6))
    counts.not_ip += int(np.count_nonzero(walk.alive)) - len(v4) - len(v6) - len(arp_rows)
    src = np.zeros((len(records.start), 16), np.uint8)
    dst = np.zeros((len(records.start), 16), np.uint8)
    transport = np.full(len(records.start), -1, np.int64)
    whole = records.start + records.original
    _ipv4(walk, v4, whole, src, dst, transport, counts)
    _ipv6(walk, v6, whole, src, dst, transport, counts)
    others = {
        protocol: [
            (int(row), int(walk.at[row]), int(walk.end[row]), src[row].tobytes())
            for row in np.flatnonzero(transport == protocol)
        ]
        for protocol in (IGMP, ICMPV6)
    }
    udp = np.flatnonzero(transport == UDP)
    groups = len(others[IGMP]) + sum(int(walk.data[begin]) in MLD_TYPES for _, begin, _, _ in others[ICMPV6])
    counts.groups += groups
    counts.not_udp += int(np.count_nonzero(transport >= 0)) - len(udp) - groups
    datagrams = _udp(walk, udp, whole, src, dst, counts)
    return Dissected(
        datagrams, vlan, arp, others[IGMP], others[ICMPV6], hidden=walk.hidden, hidden_port=walk.hidden_port
    )


def _short(walk: _Walk, rows: Rows, counts: Counts) -> None:
    """Drop frames that end within a header: cut by the capture, or sent as short as that."""
    cut = rows[walk.is_cut[rows]]
    counts.cut += _hide(walk, cut)
    counts.malformed += walk.drop(rows[~walk.is_cut[rows]])


def _hide(walk: _Walk, rows: Rows) -> int:
    walk.hidden[rows] = True
    return walk.drop(rows)


def _link(walk: _Walk, link_type: int, rows: Rows, counts: Counts) -> None:
    """Step over the link layer's header and return what follows it."""
    if link_type == ETHERNET:
        size, kind = 14, walk.word(rows, 12)
    elif link_type == COOKED:
        size, kind = 16, walk.word(rows, 14)
    elif link_type == COOKED_2:
        size, kind = 20, walk.word(rows, 0)
    elif link_type in RAW or link_type in (RAW_IPV4, RAW_IPV6):
        version = walk.byte(rows, 0) >> 4
        size, kind = 0, np.where(version == 6, IPV6, np.where(version == 4, IPV4, 0))
    elif link_type in (NULL, LOOP):
        # A null header is in the byte order of the machine that captured: small numbers show which.
        family = np.maximum(walk.byte(rows, 0), walk.byte(rows, 3))
        size, kind = 4, np.where(family == 2, IPV4, np.where(np.isin(family, _FAMILIES_V6), IPV6, 0))
    else:
        counts.other_link_types += _hide(walk, rows)
        return
    walk.kind[rows] = kind
    walk.at[rows] += size


def _tags(walk: _Walk) -> NDArray[np.uint16]:
    vlan = np.full(len(walk.at), NO_VLAN, np.uint16)
    for _ in range(MOST_TAGS):
        rows = np.flatnonzero(walk.alive & np.isin(walk.kind, TAGS) & (walk.at + 4 <= walk.end))
        if not len(rows):
            break
        number = walk.word(rows, 0) & 0x0FFF
        # IEEE 802.1Q 9.6: number 0 is no VLAN, such a tag gives only a priority.
        vlan[rows] = np.where(number == 0, vlan[rows], number)
        walk.kind[rows] = walk.word(rows, 2)
        walk.at[rows] += 4
    return vlan


def _whole_header(walk: _Walk, rows: Rows, size: int, counts: Counts) -> Rows:
    """Give the rows whose next `size` bytes were captured; the others are cut."""
    short = walk.at[rows] + size > walk.end[rows]
    _short(walk, rows[short], counts)
    return rows[~short]


def _end_packet(walk: _Walk, rows: Rows, total: Rows, whole: Rows) -> None:
    """End the rows with their packets of `total` bytes: what follows is the frame's padding."""
    whole[rows] = walk.at[rows] + total
    walk.end[rows] = np.minimum(walk.end[rows], whole[rows])


def _ipv4(
    walk: _Walk,
    rows: Rows,
    whole: Rows,
    src: NDArray[np.uint8],
    dst: NDArray[np.uint8],
    transport: Rows,
    counts: Counts,
) -> None:
    """Step over IPv4 headers with their options; set transport and addresses."""
    rows = _whole_header(walk, rows, 20, counts)
    if not len(rows):
        return
    first = walk.byte(rows, 0)
    header = (first & 0x0F) * 4
    total = walk.word(rows, 2)
    # A card that segments packets itself leaves a total of 0 in a capture: then the frame's end counts.
    total = np.where(total == 0, whole[rows] - walk.at[rows], total)
    bad = (first >> 4 != 4) | (header < 20) | (total < header) | (walk.at[rows] + total > whole[rows])
    fragment = walk.word(rows, 6) & 0x3FFF != 0
    counts.malformed += walk.drop(rows[bad])
    counts.fragments += walk.drop(rows[fragment & ~bad])
    good = ~(bad | fragment)
    rows, header, total = rows[good], header[good], total[good]
    _addresses(walk, rows, 12, 4, src, dst)
    transport[rows] = walk.byte(rows, 9)
    _end_packet(walk, rows, total, whole)
    walk.at[rows] += header


def _ipv6(
    walk: _Walk,
    rows: Rows,
    whole: Rows,
    src: NDArray[np.uint8],
    dst: NDArray[np.uint8],
    transport: Rows,
    counts: Counts,
) -> None:
    """Step over IPv6 headers with up to eight extension headers; set transport and addresses."""
    rows = _whole_header(walk, rows, 40, counts)
    if not len(rows):
        return
    total = walk.word(rows, 4) + 40
    bad = (walk.byte(rows, 0) >> 4 != 6) | (walk.at[rows] + total > whole[rows])
    counts.malformed += walk.drop(rows[bad])
    rows, total = rows[~bad], total[~bad]
    _addresses(walk, rows, 8, 16, src, dst)
    _end_packet(walk, rows, total, whole)
    following = np.zeros(len(walk.at), np.int64)
    following[rows] = walk.byte(rows, 6)
    walk.at[rows] += 40
    for _ in range(8):
        inner = rows[walk.alive[rows] & np.isin(following[rows], _EXTENSIONS)]
        if not len(inner):
            break
        beyond = walk.at[inner] + 8 > walk.end[inner]
        _short(walk, inner[beyond], counts)
        inner = inner[~beyond]
        size = walk.byte(inner, 1) * 8 + 8
        following[inner] = walk.byte(inner, 0)
        walk.at[inner] += size
        _short(walk, inner[walk.at[inner] > walk.end[inner]], counts)
    fragment = rows[walk.alive[rows] & (following[rows] == _FRAGMENT)]
    counts.fragments += walk.drop(fragment)
    rows = rows[walk.alive[rows]]
    transport[rows] = following[rows]


def _addresses(walk: _Walk, rows: Rows, offset: int, size: int, src: NDArray[np.uint8], dst: NDArray[np.uint8]) -> None:
    for into, place in ((src, offset), (dst, offset + size)):
        if size == 4:
            into[rows, 10:12] = 0xFF
        into[rows, 16 - size :] = gather(walk.data, walk.at[rows] + place, size)


def _udp(
    walk: _Walk, rows: Rows, whole: Rows, src: NDArray[np.uint8], dst: NDArray[np.uint8], counts: Counts
) -> Datagrams:
    rows = _whole_header(walk, rows, 8, counts)
    length = walk.word(rows, 4)
    # RFC 2675 lets a jumbogram say 0; none of these protocols sends one.
    bad = (length < 8) | (walk.at[rows] + length > whole[rows])
    counts.malformed += walk.drop(rows[bad])
    cut = ~bad & (walk.at[rows] + length > walk.end[rows])
    walk.hidden_port[rows[cut]] = walk.word(rows[cut], 2)
    _short(walk, rows[cut], counts)
    good = ~(bad | cut)
    rows, length = rows[good], length[good]
    counts.udp += len(rows)
    return Datagrams(
        frame=rows,
        payload=walk.at[rows] + 8,
        length=length - 8,
        src=src[rows],
        dst=dst[rows],
        src_port=walk.word(rows, 0).astype(np.uint16),
        dst_port=walk.word(rows, 2).astype(np.uint16),
    )


def gather(raw: NDArray[np.uint8], places: Rows, size: int) -> NDArray[np.uint8]:
    """Copy `size` bytes from each place. (N, size)."""
    window = np.ndarray((len(raw) - size + 1, size), np.uint8, raw, strides=(1, 1))
    copied: NDArray[np.uint8] = window[places]
    return copied
