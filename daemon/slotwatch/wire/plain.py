"""Reading one ordinary data packet at a time, for a reader that must not wait for a batch.

The array decoder costs some 60 numpy calls whether a batch holds one packet or a thousand. Routes read packets as
they come, so the plainest ones, E1.31 levels or 0xDD without any oddity and full Art-Net levels, are read here; for
everything else the answer is None and the array decoder has the word. A test holds that both say the same.
"""

from __future__ import annotations

import struct
from functools import lru_cache
from typing import NamedTuple

from slotwatch.wire.fields import PacketKind
from slotwatch.wire.universe import ARTNET_LAST, E131_LAST

_PREAMBLE = b"\0\x10\0\0ASC-E1.17\0\0\0"
_ADDRESSING = b"\x02\xa1\0\0\0\x01"
_HEAD = struct.Struct(">16sHI16sHI64s")
"""Preamble, root length and vector, CID, framing length and vector, name: octets 0 to 107 (E1.31-2018 table 4-1)."""
_REST = struct.Struct(">HH6sHB")
"""Universe, DMP length, DMP vector and addressing, property count, start code: octets 113 to 125."""
_ART = struct.Struct("<8sHHBBH")
_LEVELS, _SLOT_PRIORITY = int(PacketKind.LEVELS), int(PacketKind.SLOT_PRIORITY)
E131_SEQUENCE_AT, E131_SLOTS_AT = 111, 126
ARTNET_SEQUENCE_AT, ARTNET_SLOTS_AT = 12, 18


class Plain(NamedTuple):
    """One plain packet. `slots` are its bytes, start code left out."""

    kind: int
    universe: int
    sequence: int
    priority: int
    options: int
    source_id: bytes
    slots: bytes


def read_e131(raw: bytes) -> Plain | None:
    """Read a datagram of E1.31's port, if it is a plain data packet."""
    length = len(raw)
    if not E131_SLOTS_AT <= length <= 638:
        return None
    known = _stream(raw[:108], raw[113:126], length)
    if known is None:
        return None
    kind, universe, cid = known
    priority, options, sync_high = raw[108], raw[112], raw[109]
    if priority > 200 or options & 0x1F or (sync_high > 249 and (sync_high << 8 | raw[110]) > E131_LAST):
        return None
    return Plain(kind, universe, raw[E131_SEQUENCE_AT], priority, options, cid, raw[E131_SLOTS_AT:])


@lru_cache(maxsize=8192)
def _stream(head: bytes, rest: bytes, length: int) -> tuple[int, int, bytes] | None:
    """Kind, universe and CID by what every packet of a stream has alike; None if that is not plain.

    Remembered: a stream's packets differ only in priority, synchronization, sequence, options and slots.
    """
    preamble, root, vector, cid, framing, kind, name = _HEAD.unpack(head)
    universe, dmp, addressing, count, code = _REST.unpack(rest)
    if (
        preamble != _PREAMBLE
        or vector != 4
        or kind != 2
        or addressing != _ADDRESSING
        or count != length - E131_SLOTS_AT + 1
        or root != 0x7000 + length - 16
        or framing != 0x7000 + length - 38
        or dmp != 0x7000 + length - 115
        or not 1 <= universe <= E131_LAST
        or code not in (0, 0xDD)
        or name[63]
    ):
        return None
    return (_LEVELS if code == 0 else _SLOT_PRIORITY), universe, cid


def read_artnet(raw: bytes) -> Plain | None:
    """Read a datagram of Art-Net's port, if it is a plain Dmx packet."""
    length = len(raw)
    if not ARTNET_SLOTS_AT + 2 <= length <= ARTNET_SLOTS_AT + 512 or length % 2:
        return None
    identifier, opcode, version, sequence, physical, universe = _ART.unpack_from(raw)
    slots = length - ARTNET_SLOTS_AT
    if (
        identifier != b"Art-Net\0"
        or opcode != 0x5000
        or version != 0x0E00
        or universe > ARTNET_LAST
        or raw[16:18] != slots.to_bytes(2, "big")
    ):
        return None
    return Plain(_LEVELS, universe, sequence, 100, 0, bytes(15) + bytes([physical]), raw[ARTNET_SLOTS_AT:])
