"""Decode E1.31 packets in array form (ANSI E1.31-2018; offsets from the first octet of the UDP payload).

Three verdicts for every field:

======================== ======== =======================================================================
field                    clause   wrong value is
======================== ======== =======================================================================
preamble, post-amble     5.1 5.2  rejected (the standard: discard)
packet identifier        5.3      rejected
flags nibble             5.4 6.1  odd: public receivers read such packets, and nothing depends on it
three or two lengths     5.4 6.1  odd as long as the property count and the datagram agree
vectors                  5.5 6.2  rejected; root vector 3 of the drafts before the standard as well
source name              6.2.2    odd: without its NUL, or not UTF-8
priority over 200        6.2.3    rejected: reserved values carry no order of precedence
sync address over 63999  6.2.4    odd; of a sync packet 0 is rejected (6.3.3)
option bits 4 to 0       6.2.6    odd, ignored
universe                 6.2.7    rejected outside 1 to 63999
DMP type and addressing  7.3-7.5  rejected
property count           7.6      rejected outside 1 to 513, or where fewer octets arrived; 0 is odd in a
                                  terminated packet, whose property values are ignored (6.2.6)
octets after the slots            odd
CID of zeros             5.6      odd
group 239.255.255.x      9.1.1    odd
discovery list           8        odd if unsorted or a page beyond the last; rejected if it does not fit
length of a sync packet  4.2 6.3  rejected from 120 octets on: that long is a discovery packet; else odd over 49
======================== ======== =======================================================================

Most packets of a house are ordinary data. Those are found in one pass over a few 64-bit columns and copied;
the rows left over take the careful path, which costs some five times as much.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.wire import fields
from slotwatch.wire.fields import OPTION_TERMINATED, Fields, PacketKind
from slotwatch.wire.reject import Odd, Reject
from slotwatch.wire.universe import E131_LAST
from slotwatch.wire.verdict import Mask, Verdicts, every, same, some, word16, word32

IDENTIFIER = b"ASC-E1.17\0\0\0"
ART_NET = b"Art-Net\0"
ROOT_DATA, ROOT_EXTENDED = 4, 8
DATA_HEADER = 126
DISCOVERY_HEADER = 120
LONGEST = 1144
"""A full discovery page (4.3)."""
MOST_UNIVERSES = 512
START_SLOT_PRIORITY = 0xDD
SLOT_PRIORITY_LOSS_S = 2.5
"""Silence of per-address priority after which the packet's own counts again (ANSI E1.31-2018 6.7.1)."""
SLOT_PRIORITY_LOSS_NS = ns_from_s(SLOT_PRIORITY_LOSS_S)
_HEAD = 128


_COLUMNS = np.dtype(
    {
        "names": ["root", "framing", "priority", "sync", "sequence", "options", "universe", "dmp", "count", "start"],
        "formats": [">u2", ">u2", "u1", ">u2", "u1", "u1", ">u2", ">u2", ">u2", "u1"],
        "offsets": [16, 38, 108, 109, 111, 112, 113, 115, 123, 125],
        "itemsize": DATA_HEADER,
    }
)


def _template() -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
    """Make what the first 128 octets of a plain data packet hold, and the mask of what is fixed, as words."""
    value, mask = bytearray(_HEAD), bytearray(_HEAD)
    for offset, octets in (
        (0, b"\0\x10\0\0" + IDENTIFIER),
        (18, b"\0\0\0\x04"),
        (40, b"\0\0\0\x02"),
        (117, b"\x02\xa1\0\0\0\x01"),
    ):
        value[offset : offset + len(octets)] = octets
        mask[offset : offset + len(octets)] = b"\xff" * len(octets)
    mask[44:107] = b"\x80" * 63  # a name beyond ASCII may or may not be UTF-8
    mask[107] = 0xFF  # its last octet ends it
    mask[112] = 0x1F  # option bits that stay zero
    return np.frombuffer(value, "<u8").reshape(-1, 1), np.frombuffer(mask, "<u8").reshape(-1, 1)


_FIXED, _MASK = _template()
_ZERO, _MAPPED = np.uint64(0), np.uint64(0x00FFFFFFFFFF0000)
_GROUP = np.uint64(int.from_bytes(bytes((0, 0, 0xFF, 0xFF, 239, 255, 255, 0)), "little"))


def decode(
    data: NDArray[np.uint8],
    length: NDArray[np.int32],
    dst: NDArray[np.uint8],
    truncated: Mask | None = None,
    rows: NDArray[np.intp] | None = None,
) -> Fields:
    """Decode N datagrams that arrived on E1.31's port.

    data: (M, >=1144) uint8, of which `rows` (N,) are meant, all of them if it is None; the other columns are
    of those N rows: length (N,), dst (N, 16), truncated (N,).
    """
    head = data[:, :_HEAD] if rows is None else data[rows, :_HEAD]
    columns = head[:, :DATA_HEADER].view(_COLUMNS)[:, 0]
    slots = columns["count"].astype(np.int32)
    slots -= 1
    cid = head[:, 22:38].copy()
    halves = cid.view("<u8")
    plain = _is_plain(head, columns, length, slots)
    plain &= (halves[:, 0] | halves[:, 1]) != _ZERO
    plain &= ~_to_reserved_group(dst)
    if truncated is not None:
        plain &= ~truncated
    found = _read_plain(columns, slots, cid)
    if not plain.all():
        odd = np.flatnonzero(~plain)
        cut = np.zeros(len(odd), np.bool_) if truncated is None else truncated[odd]
        there = data[odd if rows is None else rows[odd], :LONGEST]
        fields.scatter(found, odd, _decode_carefully(there, length[odd], dst[odd], cut))
    return found


def _is_plain(
    head: NDArray[np.uint8], columns: NDArray[np.void], length: NDArray[np.int32], slots: NDArray[np.int32]
) -> Mask:
    """Say which rows are data packets without any oddity that this pass can see."""
    # Turned on its side, so that each step below runs along the rows and not sixteen words at a time.
    words = head.view("<u8").T.copy(order="C")  # a copy even of one row: the batch is never written to
    words ^= _FIXED
    words &= _MASK
    plain: Mask = np.bitwise_or.reduce(words, axis=0) == _ZERO
    plain &= slots.view(np.uint32) <= 512
    plain &= length == slots + DATA_HEADER
    # The three lengths count to the same end from three beginnings; flags 7 are in their upper bits.
    plain &= columns["root"] == slots + (0x7000 + 110)
    plain &= columns["framing"] == slots + (0x7000 + 88)
    plain &= columns["dmp"] == slots + (0x7000 + 11)
    plain &= columns["priority"] <= 200
    plain &= columns["universe"] - np.uint16(1) < E131_LAST
    plain &= columns["sync"] <= E131_LAST
    return plain


def _to_reserved_group(dst: NDArray[np.uint8]) -> Mask:
    """Say which rows were sent to 239.255.255.0/24."""
    words = dst.view("<u8")
    there: Mask = (words[:, 1] & _MAPPED) == _GROUP
    if there.any():
        there &= words[:, 0] == 0
    return there


def _read_plain(columns: NDArray[np.void], slots: NDArray[np.int32], cid: NDArray[np.uint8]) -> Fields:
    """Copy every column as of a data packet; rows that are none are written again by the caller."""
    rows = len(slots)
    start_code = columns["start"].copy()
    return Fields(
        status=np.zeros(rows, np.uint8),
        kind=_kinds(start_code),
        odd=np.zeros(rows, np.uint16),
        universe=columns["universe"].astype(np.uint16),
        priority=columns["priority"].copy(),
        sequence=columns["sequence"].copy(),
        options=columns["options"].copy(),
        start_code=start_code,
        sync_address=columns["sync"].astype(np.uint16),
        slots=slots.astype(np.uint16),
        first_slot=np.full(rows, DATA_HEADER, np.uint16),
        source_id=cid,
    )


def _kinds(start_code: NDArray[np.uint8]) -> NDArray[np.uint8]:
    kind = np.full(len(start_code), PacketKind.LEVELS, np.uint8)
    if start_code.any():
        kind[start_code != 0] = PacketKind.OTHER_START_CODE
        kind[start_code == START_SLOT_PRIORITY] = PacketKind.SLOT_PRIORITY
    return kind


def _decode_carefully(
    data: NDArray[np.uint8], length: NDArray[np.int32], dst: NDArray[np.uint8], truncated: Mask
) -> Fields:
    """Judge each field separately. Octets beyond a row's length may be anything: they never count."""
    out = fields.empty(len(data))
    verdicts = Verdicts(out)
    art = (length >= len(ART_NET)) & same(data, 0, ART_NET)
    verdicts.reject(art, Reject.NOT_THIS_PROTOCOL)
    verdicts.reject(length < 16, Reject.TOO_SHORT)
    verdicts.reject(~same(data, 4, IDENTIFIER), Reject.NOT_THIS_PROTOCOL)
    verdicts.reject(~same(data, 0, b"\0\x10\0\0"), Reject.BAD_PREAMBLE)
    verdicts.reject(truncated | (length > LONGEST), Reject.TOO_LONG)
    verdicts.reject(length < 44, Reject.TOO_SHORT)
    root, framing = word32(data, 18), word32(data, 40)
    verdicts.reject((root != ROOT_DATA) & (root != ROOT_EXTENDED), Reject.BAD_VECTOR)
    out.source_id[:] = data[:, 22:38]
    is_data = (root == ROOT_DATA) & (framing == 2)
    is_sync = (root == ROOT_EXTENDED) & (framing == 1)
    is_discovery = (root == ROOT_EXTENDED) & (framing == 2)
    verdicts.reject(~(is_data | is_sync | is_discovery), Reject.BAD_VECTOR)
    for kind, read in ((is_data, _read_data), (is_sync, _read_sync), (is_discovery, _read_discovery)):
        rows = np.flatnonzero(kind & (out.status == Reject.OK))
        if len(rows):
            part = fields.empty(len(rows))
            part.source_id[:] = out.source_id[rows]
            read(data[rows], length[rows], Verdicts(part))
            fields.scatter(out, rows, part)
    verdicts.note(every(out.source_id == 0), Odd.ZERO_CID)
    verdicts.note(_to_reserved_group(dst), Odd.RESERVED_GROUP)
    return verdicts.close()


def _note_lengths(
    data: NDArray[np.uint8], end: NDArray[np.int32], offsets: tuple[int, ...], verdicts: Verdicts
) -> None:
    """Hold each flags-and-length field against where its layer should end."""
    for offset in offsets:
        value = word16(data, offset)
        verdicts.note(value >> 12 != 7, Odd.FLAGS)
        verdicts.note(value & 0x0FFF != end - offset, Odd.LENGTH_FIELDS)


def _read_data(data: NDArray[np.uint8], length: NDArray[np.int32], verdicts: Verdicts) -> None:
    out = verdicts.fields
    count = word16(data, 123)
    universe = word16(data, 113)
    ends_empty = (data[:, 112] & OPTION_TERMINATED != 0) & (count == 0)
    verdicts.reject(length < DATA_HEADER - ends_empty.astype(np.int32), Reject.TOO_SHORT)
    verdicts.reject(data[:, 117] != 2, Reject.BAD_VECTOR)
    verdicts.reject(~same(data, 118, b"\xa1\0\0\0\x01"), Reject.BAD_ADDRESSING)
    verdicts.reject(~ends_empty & ((count < 1) | (count > 513)), Reject.BAD_SLOT_COUNT)
    end = count + (DATA_HEADER - 1)
    verdicts.reject(end > length, Reject.BAD_LENGTH)
    verdicts.reject((universe < 1) | (universe > E131_LAST), Reject.BAD_UNIVERSE)
    verdicts.reject(data[:, 108] > 200, Reject.BAD_PRIORITY)
    _note_lengths(data, end, (16, 38, 115), verdicts)
    verdicts.note(length > end, Odd.TRAILING)
    verdicts.note(ends_empty, Odd.NO_START_CODE)
    _note_names(data[:, 44:108], verdicts)
    verdicts.note(data[:, 112] & 0x1F != 0, Odd.RESERVED_BITS)
    sync_address = word16(data, 109)
    verdicts.note(sync_address > E131_LAST, Odd.SYNC_ADDRESS_RESERVED)
    out.universe[:] = universe
    out.priority[:] = data[:, 108]
    out.sync_address[:] = sync_address
    out.sequence[:] = data[:, 111]
    out.options[:] = data[:, 112] & 0xE0
    out.start_code[:] = np.where(ends_empty, 0, data[:, 125])
    out.kind[:] = _kinds(out.start_code)
    out.slots[:] = np.where(ends_empty, 0, count - 1)
    out.first_slot[:] = DATA_HEADER


def _read_sync(data: NDArray[np.uint8], length: NDArray[np.int32], verdicts: Verdicts) -> None:
    out = verdicts.fields
    address = word16(data, 45)
    verdicts.reject(length < 49, Reject.TOO_SHORT)
    verdicts.reject(length >= DISCOVERY_HEADER, Reject.BAD_LENGTH)
    verdicts.reject(address == 0, Reject.BAD_UNIVERSE)
    _note_lengths(data, np.full(len(data), 49, np.int32), (16, 38), verdicts)
    verdicts.note(length > 49, Odd.TRAILING)
    verdicts.note(address > E131_LAST, Odd.SYNC_ADDRESS_RESERVED)
    verdicts.note(word16(data, 47) != 0, Odd.RESERVED_BITS)
    out.kind[:] = PacketKind.E131_SYNC
    out.universe[:] = address
    out.sync_address[:] = address
    out.sequence[:] = data[:, 44]
    out.priority[:] = 100


def _read_discovery(data: NDArray[np.uint8], length: NDArray[np.int32], verdicts: Verdicts) -> None:
    out = verdicts.fields
    listed = word16(data, 112) & 0x0FFF
    count = (listed - 8) >> 1
    end = count * 2 + 120
    verdicts.reject(length < 120, Reject.TOO_SHORT)
    verdicts.reject(word32(data, 114) != 1, Reject.BAD_VECTOR)
    unfit = (listed < 8) | (listed % 2 == 1) | (count > MOST_UNIVERSES) | (end > length)
    verdicts.reject(unfit, Reject.BAD_LENGTH)
    _note_lengths(data, end, (16, 38, 112), verdicts)
    verdicts.note(length > end, Odd.TRAILING)
    _note_names(data[:, 44:108], verdicts)
    verdicts.note(word32(data, 108) != 0, Odd.RESERVED_BITS)
    verdicts.note(data[:, 118] > data[:, 119], Odd.DISCOVERY_PAGES)
    numbers = np.ascontiguousarray(data[:, 120:LONGEST]).view(">u2")
    falls = numbers[:, 1:] <= numbers[:, :-1]
    present = np.arange(1, MOST_UNIVERSES) < count[:, None]
    verdicts.note(some(falls & present), Odd.DISCOVERY_UNSORTED)
    out.kind[:] = PacketKind.E131_DISCOVERY
    out.slots[:] = np.where(unfit, 0, count)
    out.first_slot[:] = 120
    out.priority[:] = 100


def _note_names(names: NDArray[np.uint8], verdicts: Verdicts) -> None:
    verdicts.note(every(names != 0), Odd.NAME_UNTERMINATED)
    for row in np.flatnonzero(some(names >= 0x80)):
        if not _is_utf8(names[row].tobytes()):
            verdicts.fields.odd[row] |= Odd.NAME_NOT_UTF8.value


@lru_cache(maxsize=4096)
def _is_utf8(field: bytes) -> bool:
    """Say whether a name field holds UTF-8 up to its NUL. A source repeats its name in every packet."""
    try:
        field.split(b"\0", 1)[0].decode()
    except UnicodeDecodeError:
        return False
    return True
