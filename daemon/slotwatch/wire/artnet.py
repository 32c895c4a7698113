"""Decode Art-Net 4 packets in array form (offsets from the first byte of the UDP payload).

Three verdicts for every field:

==================== ====================================================================================
field                wrong value is
==================== ====================================================================================
identifier           rejected
opcode               rejected if no published table names it; named ones that are not read are ART_OTHER
version under 14     rejected; above 14 odd (a later protocol keeps the fields of 14)
port-address bit 15  odd: it is spare, the other 15 bits are used
length of Dmx, Nzs   rejected if 0 or over 512, or if fewer bytes arrived; odd if not even
bytes after slots   odd
start code of Nzs    rejected if 0 or RDM's, which the packet must not carry
spare bytes of Sync odd if not zero
names of a reply     odd without their NUL
==================== ====================================================================================

A reply carries no version. Packets that are not read may be longer than a row (a full table of devices has
1,228 bytes): they are known by their opcode, whatever was cut off.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.wire import fields
from slotwatch.wire.fields import Fields, PacketKind
from slotwatch.wire.reject import Odd, Reject
from slotwatch.wire.universe import SLOTS
from slotwatch.wire.verdict import Mask, Verdicts, every, same, word16

IDENTIFIER = b"Art-Net\0"
VERSION = 14
HEADER = 18
_READ = 128
"""Bytes that are looked at; the names of a reply end at 108."""
SHORTEST_REPLY = 198
RDM_START_CODE = 0xCC

POLL, POLL_REPLY = 0x2000, 0x2100
DMX, NZS, SYNC = 0x5000, 0x5100, 0x5200
TOD_REQUEST, TOD_DATA, TOD_CONTROL, RDM, RDM_SUB = 0x8000, 0x8100, 0x8200, 0x8300, 0x8400
UNREAD = (
    *(0x2200, 0x2300, 0x2400, 0x2700, 0x2800, 0x6000, 0x7000),
    *(TOD_REQUEST, TOD_DATA, TOD_CONTROL, RDM, RDM_SUB),
    *(0x9000, 0x9100, 0x9200, 0x9300, 0x9700, 0x9800, 0x9900, 0x9A00, 0x9B00),
    *(0xA010, 0xA020, 0xA040),
    *(0xF000, 0xF100, 0xF200, 0xF300, 0xF400, 0xF500, 0xF600, 0xF800, 0xF900),
)
"""Opcodes that a public packet analyser's table names and slotwatch counts without reading
(0x2700 and 0x2800, data request and reply: value from memory)."""

_KINDS = np.zeros(65536, np.uint8)
_KINDS[list(UNREAD)] = PacketKind.ART_OTHER
_KINDS[[DMX, NZS]] = PacketKind.LEVELS, PacketKind.OTHER_START_CODE
_KINDS[[SYNC, POLL, POLL_REPLY]] = PacketKind.ART_SYNC, PacketKind.ART_POLL, PacketKind.ART_POLL_REPLY

_COLUMNS = np.dtype(
    {
        "names": ["identifier", "kind", "sequence", "physical", "address", "length"],
        "formats": ["<u8", "<u4", "u1", "u1", "<u2", ">u2"],
        "offsets": [0, 8, 12, 13, 14, 16],
        "itemsize": HEADER,
    }
)
_IDENTIFIER_WORD = np.uint64(int.from_bytes(IDENTIFIER, "little"))
_DMX_WORD = np.uint32(int.from_bytes(b"\x00\x50\x00\x0e", "little"))


def decode(
    data: NDArray[np.uint8],
    length: NDArray[np.int32],
    truncated: Mask | None = None,
    rows: NDArray[np.intp] | None = None,
) -> Fields:
    """Decode N datagrams that arrived on Art-Net's port.

    data: (M, >=128) uint8, of which `rows` (N,) are meant, all of them if it is None; the other columns are
    of those N rows.
    """
    columns = (data[:, :HEADER] if rows is None else data[rows, :HEADER]).view(_COLUMNS)[:, 0]
    slots = columns["length"].astype(np.int32)
    port_address = columns["address"].astype(np.uint16)
    plain: Mask = columns["identifier"] == _IDENTIFIER_WORD
    plain &= columns["kind"] == _DMX_WORD
    plain &= (slots - 2).view(np.uint32) <= SLOTS - 2
    plain &= slots & 1 == 0
    plain &= length == slots + HEADER
    plain &= port_address < 0x8000
    if truncated is not None:
        plain &= ~truncated
    count = len(length)
    source_id = np.zeros((count, 16), np.uint8)
    source_id[:, 15] = columns["physical"]
    found = Fields(
        status=np.zeros(count, np.uint8),
        kind=np.full(count, PacketKind.LEVELS, np.uint8),
        odd=np.zeros(count, np.uint16),
        universe=port_address,
        priority=np.full(count, 100, np.uint8),
        sequence=columns["sequence"].copy(),
        options=np.zeros(count, np.uint8),
        start_code=np.zeros(count, np.uint8),
        sync_address=np.zeros(count, np.uint16),
        slots=slots.astype(np.uint16),
        first_slot=np.full(count, HEADER, np.uint16),
        source_id=source_id,
    )
    if not plain.all():
        odd = np.flatnonzero(~plain)
        cut = np.zeros(len(odd), np.bool_) if truncated is None else truncated[odd]
        there = data[odd if rows is None else rows[odd], :_READ]
        fields.scatter(found, odd, _decode_carefully(there, length[odd], cut))
    return found


def _decode_carefully(data: NDArray[np.uint8], length: NDArray[np.int32], truncated: Mask) -> Fields:
    """Judge each field separately. Bytes beyond a row's length may be anything: they never count."""
    out = fields.empty(len(data))
    verdicts = Verdicts(out)
    verdicts.reject(length < 8, Reject.TOO_SHORT)
    verdicts.reject(~same(data, 0, IDENTIFIER), Reject.NOT_THIS_PROTOCOL)
    verdicts.reject(length < 10, Reject.TOO_SHORT)
    opcode = data[:, 8].astype(np.int32) | data[:, 9].astype(np.int32) << 8
    kind = _KINDS[opcode]
    verdicts.reject(kind == PacketKind.NONE, Reject.UNKNOWN_OPCODE)
    read = (kind != PacketKind.ART_OTHER) & (kind != PacketKind.NONE)
    verdicts.reject(read & truncated, Reject.TOO_LONG)
    versioned = read & (kind != PacketKind.ART_POLL_REPLY)
    verdicts.reject(versioned & (length < 12), Reject.TOO_SHORT)
    version = word16(data, 10)
    verdicts.reject(versioned & (version < VERSION), Reject.BAD_VERSION)
    verdicts.note(versioned & (version > VERSION), Odd.NEWER_VERSION)
    out.kind[:] = kind
    _read_slots(data, length, verdicts, opcode)
    sync = kind == PacketKind.ART_SYNC
    verdicts.reject(sync & (length < 14), Reject.TOO_SHORT)
    verdicts.note(sync & (word16(data, 12) != 0), Odd.RESERVED_BITS)
    reply = kind == PacketKind.ART_POLL_REPLY
    verdicts.reject(reply & (length < SHORTEST_REPLY), Reject.TOO_SHORT)
    short_open = every(data[:, 26:44] != 0)
    verdicts.note(reply & (short_open | every(data[:, 44:108] != 0)), Odd.NAME_UNTERMINATED)
    out.priority[:] = 100
    return verdicts.close()


def _read_slots(
    data: NDArray[np.uint8], length: NDArray[np.int32], verdicts: Verdicts, opcode: NDArray[np.int32]
) -> None:
    """Read the two packets that carry slots."""
    out = verdicts.fields
    dmx, nzs = opcode == DMX, opcode == NZS
    either = dmx | nzs
    slots = word16(data, 16)
    verdicts.reject(either & (length < HEADER), Reject.TOO_SHORT)
    verdicts.reject(either & ((slots < 1) | (slots > SLOTS)), Reject.BAD_SLOT_COUNT)
    verdicts.reject(either & (slots + HEADER > length), Reject.BAD_LENGTH)
    verdicts.reject(nzs & ((data[:, 13] == 0) | (data[:, 13] == RDM_START_CODE)), Reject.BAD_START_CODE)
    verdicts.note(dmx & (slots % 2 == 1), Odd.ODD_LENGTH)
    verdicts.note(either & (slots + HEADER < length), Odd.TRAILING)
    verdicts.note(either & (data[:, 15] >= 0x80), Odd.PORT_ADDRESS_BIT_15)
    port_address = data[:, 14].astype(np.uint16) | (data[:, 15] & 0x7F).astype(np.uint16) << 8
    out.universe[:] = np.where(either, port_address, 0)
    out.sequence[:] = np.where(either, data[:, 12], 0)
    out.start_code[:] = np.where(nzs, data[:, 13], 0)
    out.slots[:] = np.where(either, slots, 0)
    out.first_slot[:] = np.where(either, HEADER, 0)
    out.source_id[:, 15] = np.where(dmx, data[:, 13], 0)
