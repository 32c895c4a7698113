"""A second, slow decoder of one packet, written from the standards' tables with `struct` alone.

It shares no code with the array decoder; tests hold the two against each other row by row, so that a
misreading must be made twice to stay unseen. Nothing else uses it.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from slotwatch.wire.fields import PacketKind
from slotwatch.wire.reject import Odd, Reject
from slotwatch.wire.universe import Protocol


@dataclass(slots=True)
class Packet:
    """The same fields as `wire.fields.Fields`, of one packet."""

    status: Reject = Reject.OK
    kind: PacketKind = PacketKind.NONE
    odd: Odd = Odd.NONE
    universe: int = 0
    priority: int = 0
    sequence: int = 0
    options: int = 0
    start_code: int = 0
    sync_address: int = 0
    slots: int = 0
    first_slot: int = 0
    source_id: bytes = bytes(16)


class _Rejected(Exception):
    def __init__(self, reason: Reject) -> None:
        self.reason = reason


def decode_one(
    protocol: int, payload: bytes, *, dst: bytes = bytes(16), truncated: bool = False, line: int = 0
) -> Packet:
    """Decode one packet, whatever its octets are."""
    try:
        if protocol == Protocol.E131:
            return _e131(payload, dst, truncated)
        if protocol == Protocol.ARTNET:
            return _artnet(payload, truncated)
        if protocol == Protocol.LINE:
            return _line(payload, line)
        raise _Rejected(Reject.NOT_THIS_PROTOCOL)
    except _Rejected as rejected:
        return Packet(status=rejected.reason)


def _demand(holds: bool, reason: Reject) -> None:
    if not holds:
        raise _Rejected(reason)


# --- E1.31 -------------------------------------------------------------------------------------------


def _e131(payload: bytes, dst: bytes, truncated: bool) -> Packet:
    _demand(not payload.startswith(b"Art-Net\0"), Reject.NOT_THIS_PROTOCOL)
    _demand(len(payload) >= 16, Reject.TOO_SHORT)
    preamble, postamble, identifier = struct.unpack_from(">HH12s", payload)
    _demand(identifier == b"ASC-E1.17\x00\x00\x00", Reject.NOT_THIS_PROTOCOL)
    _demand((preamble, postamble) == (0x0010, 0), Reject.BAD_PREAMBLE)
    _demand(not truncated and len(payload) <= 1144, Reject.TOO_LONG)
    _demand(len(payload) >= 44, Reject.TOO_SHORT)
    root_vector, cid, framing_vector = struct.unpack_from(">I16sxxI", payload, 18)
    layers = (root_vector, framing_vector)
    if layers == (4, 2):
        packet = _e131_data(payload)
    elif layers == (8, 1):
        packet = _e131_sync(payload)
    elif layers == (8, 2):
        packet = _e131_discovery(payload)
    else:
        raise _Rejected(Reject.BAD_VECTOR)
    packet.source_id = cid
    if cid == bytes(16):
        packet.odd |= Odd.ZERO_CID
    if dst[:15] == bytes(10) + b"\xff\xff\xef\xff\xff":
        packet.odd |= Odd.RESERVED_GROUP
    return packet


def _lengths(payload: bytes, end: int, *offsets: int) -> Odd:
    odd = Odd.TRAILING if len(payload) > end else Odd.NONE
    for offset in offsets:
        (value,) = struct.unpack_from(">H", payload, offset)
        if value & 0xF000 != 0x7000:
            odd |= Odd.FLAGS
        if value & 0x0FFF != end - offset:
            odd |= Odd.LENGTH_FIELDS
    return odd


def _name(field: bytes) -> Odd:
    odd = Odd.NONE
    text, nul, _ = field.partition(b"\0")
    if not nul:
        odd |= Odd.NAME_UNTERMINATED
    if text.decode("utf-8", "replace").encode() != text:
        odd |= Odd.NAME_NOT_UTF8
    return odd


def _e131_data(payload: bytes) -> Packet:
    _demand(len(payload) >= 125, Reject.TOO_SHORT)
    is_empty_end = payload[112] & 0x40 != 0 and payload[123:125] == b"\0\0"
    _demand(len(payload) >= 126 or is_empty_end, Reject.TOO_SHORT)
    name, priority, sync, sequence, options, universe = struct.unpack_from(">64sBHBBH", payload, 44)
    vector, types, first, increment, count = struct.unpack_from(">BBHHH", payload, 117)
    start_code = 0 if is_empty_end else payload[125]
    _demand(vector == 0x02, Reject.BAD_VECTOR)
    _demand(types == 0xA1 and first == 0 and increment == 1, Reject.BAD_ADDRESSING)
    _demand(is_empty_end or 1 <= count <= 513, Reject.BAD_SLOT_COUNT)
    _demand(len(payload) >= 125 + count, Reject.BAD_LENGTH)
    _demand(1 <= universe <= 63999, Reject.BAD_UNIVERSE)
    _demand(priority <= 200, Reject.BAD_PRIORITY)
    odd = _lengths(payload, 125 + count, 16, 38, 115) | _name(name)
    if is_empty_end:
        odd |= Odd.NO_START_CODE
    if options % 32:
        odd |= Odd.RESERVED_BITS
    if sync > 63999:
        odd |= Odd.SYNC_ADDRESS_RESERVED
    kind = {0: PacketKind.LEVELS, 0xDD: PacketKind.SLOT_PRIORITY}.get(start_code, PacketKind.OTHER_START_CODE)
    return Packet(
        kind=kind,
        odd=odd,
        universe=universe,
        priority=priority,
        sequence=sequence,
        options=options - options % 32,
        start_code=start_code,
        sync_address=sync,
        slots=max(0, count - 1),
        first_slot=126,
    )


def _e131_sync(payload: bytes) -> Packet:
    _demand(len(payload) >= 49, Reject.TOO_SHORT)
    _demand(len(payload) < 120, Reject.BAD_LENGTH)
    sequence, address, reserved = struct.unpack_from(">BHH", payload, 44)
    _demand(address != 0, Reject.BAD_UNIVERSE)
    odd = _lengths(payload, 49, 16, 38)
    if reserved:
        odd |= Odd.RESERVED_BITS
    if address > 63999:
        odd |= Odd.SYNC_ADDRESS_RESERVED
    return Packet(
        kind=PacketKind.E131_SYNC, odd=odd, universe=address, sync_address=address, sequence=sequence, priority=100
    )


def _e131_discovery(payload: bytes) -> Packet:
    _demand(len(payload) >= 120, Reject.TOO_SHORT)
    name, reserved, list_length, vector, page, last = struct.unpack_from(">64sIHIBB", payload, 44)
    _demand(vector == 1, Reject.BAD_VECTOR)
    octets = (list_length & 0x0FFF) - 8
    _demand(octets >= 0 and octets % 2 == 0 and octets <= 1024 and 120 + octets <= len(payload), Reject.BAD_LENGTH)
    universes = struct.unpack_from(f">{octets // 2}H", payload, 120)
    odd = _lengths(payload, 120 + octets, 16, 38, 112) | _name(name)
    if reserved:
        odd |= Odd.RESERVED_BITS
    if page > last:
        odd |= Odd.DISCOVERY_PAGES
    if list(universes) != sorted(set(universes)):
        odd |= Odd.DISCOVERY_UNSORTED
    return Packet(kind=PacketKind.E131_DISCOVERY, odd=odd, slots=len(universes), first_slot=120, priority=100)


# --- Art-Net -----------------------------------------------------------------------------------------

_NAMED = set(range(0x2200, 0x2500, 0x100)) | {0x2700, 0x2800, 0x6000, 0x7000}
_NAMED |= {0x8000, 0x8100, 0x8200, 0x8300, 0x8400, 0x9000, 0x9100, 0x9200, 0x9300}
_NAMED |= {0x9700, 0x9800, 0x9900, 0x9A00, 0x9B00, 0xA010, 0xA020, 0xA040}
_NAMED |= {0xF000, 0xF100, 0xF200, 0xF300, 0xF400, 0xF500, 0xF600, 0xF800, 0xF900}


def _artnet(payload: bytes, truncated: bool) -> Packet:
    _demand(len(payload) >= 8, Reject.TOO_SHORT)
    _demand(payload[:8] == b"Art-Net\0", Reject.NOT_THIS_PROTOCOL)
    _demand(len(payload) >= 10, Reject.TOO_SHORT)
    (opcode,) = struct.unpack_from("<H", payload, 8)
    if opcode in _NAMED:
        return Packet(kind=PacketKind.ART_OTHER, priority=100)
    reader = {0x2000: _poll, 0x2100: _poll_reply, 0x5000: _dmx, 0x5100: _nzs, 0x5200: _art_sync}.get(opcode)
    if reader is None:
        raise _Rejected(Reject.UNKNOWN_OPCODE)
    _demand(not truncated, Reject.TOO_LONG)
    odd = Odd.NONE
    if opcode != 0x2100:
        _demand(len(payload) >= 12, Reject.TOO_SHORT)
        (version,) = struct.unpack_from(">H", payload, 10)
        _demand(version >= 14, Reject.BAD_VERSION)
        if version > 14:
            odd = Odd.NEWER_VERSION
    packet = reader(payload)
    packet.odd |= odd
    packet.priority = 100
    return packet


def _poll(payload: bytes) -> Packet:
    return Packet(kind=PacketKind.ART_POLL)


def _art_sync(payload: bytes) -> Packet:
    _demand(len(payload) >= 14, Reject.TOO_SHORT)
    return Packet(kind=PacketKind.ART_SYNC, odd=Odd.RESERVED_BITS if payload[12:14] != b"\0\0" else Odd.NONE)


def _poll_reply(payload: bytes) -> Packet:
    _demand(len(payload) >= 198, Reject.TOO_SHORT)
    closed = 0 in payload[26:44] and 0 in payload[44:108]
    return Packet(kind=PacketKind.ART_POLL_REPLY, odd=Odd.NONE if closed else Odd.NAME_UNTERMINATED)


def _dmx(payload: bytes) -> Packet:
    packet = _slots(payload)
    packet.kind = PacketKind.LEVELS
    packet.source_id = bytes(15) + payload[13:14]
    if packet.slots % 2:
        packet.odd |= Odd.ODD_LENGTH
    return packet


def _nzs(payload: bytes) -> Packet:
    packet = _slots(payload)
    _demand(payload[13] not in (0, 0xCC), Reject.BAD_START_CODE)
    packet.kind = PacketKind.OTHER_START_CODE
    packet.start_code = payload[13]
    return packet


def _slots(payload: bytes) -> Packet:
    _demand(len(payload) >= 18, Reject.TOO_SHORT)
    sequence, _, sub_uni, net, length = struct.unpack_from(">BBBBH", payload, 12)
    _demand(1 <= length <= 512, Reject.BAD_SLOT_COUNT)
    _demand(18 + length <= len(payload), Reject.BAD_LENGTH)
    odd = Odd.TRAILING if len(payload) > 18 + length else Odd.NONE
    if net > 127:
        odd |= Odd.PORT_ADDRESS_BIT_15
    return Packet(odd=odd, universe=(net % 128) * 256 + sub_uni, sequence=sequence, slots=length, first_slot=18)


# --- a line ------------------------------------------------------------------------------------------


def _line(payload: bytes, line: int) -> Packet:
    _demand(len(payload) >= 1, Reject.TOO_SHORT)
    _demand(len(payload) <= 513, Reject.TOO_LONG)
    kind = PacketKind.LEVELS if payload[0] == 0 else PacketKind.OTHER_START_CODE
    return Packet(kind=kind, universe=line, start_code=payload[0], slots=len(payload) - 1, first_slot=1, priority=100)
