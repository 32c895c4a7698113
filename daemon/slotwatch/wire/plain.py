"""Reading one ordinary data packet at a time, for a reader that must not wait for a batch.

The array decoder costs some 60 numpy calls whether a batch holds one packet or a thousand. Routes read packets as
they come, so the plainest ones, E1.31 levels or 0xDD without any oddity and full Art-Net levels, are read here; for
everything else the answer is None and the array decoder has the word. A test holds that both say the same.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from slotwatch.wire.fields import Kind
from slotwatch.wire.universe import ARTNET_LAST, E131_LAST

_PREAMBLE = b"\0\x10\0\0ASC-E1.17\0\0\0"
_ADDRESSING = b"\x02\xa1\0\0\0\x01"
_E131 = struct.Struct(">HI16sHI64sBHBBHH6sHB")
"""Root length and vector, CID, framing length and vector, name, priority, sync, sequence, options, universe, DMP
length, DMP vector and addressing, property count, start code (E1.31-2018 table 4-1)."""
_ART = struct.Struct("<8sHHBBH")
_LEVELS, _SLOT_PRIORITY = int(Kind.LEVELS), int(Kind.SLOT_PRIORITY)
E131_SLOTS_AT, ARTNET_SLOTS_AT = 126, 18


class Plain(NamedTuple):
    """One plain packet. `slots` are its octets, start code left out."""

    kind: int
    universe: int
    sequence: int
    priority: int
    options: int
    source_id: bytes
    slots: bytes


def read_e131(octets: bytes) -> Plain | None:
    """Read a datagram of E1.31's port, if it is a plain data packet."""
    length = len(octets)
    if not E131_SLOTS_AT <= length <= 638 or octets[:16] != _PREAMBLE:
        return None
    (
        root,
        vector,
        cid,
        framing,
        kind,
        name,
        priority,
        sync,
        sequence,
        options,
        universe,
        dmp,
        addressing,
        count,
        code,
    ) = _E131.unpack_from(octets, 16)
    whole = length - 1 - E131_SLOTS_AT + 2
    if (
        vector != 4
        or kind != 2
        or addressing != _ADDRESSING
        or count != whole
        or root != 0x7000 + length - 16
        or framing != 0x7000 + length - 38
        or dmp != 0x7000 + length - 115
        or priority > 200
        or sync > E131_LAST
        or options & 0x1F
        or not 1 <= universe <= E131_LAST
        or code not in (0, 0xDD)
        or name[63]
    ):
        return None
    return Plain(
        _LEVELS if code == 0 else _SLOT_PRIORITY,
        universe,
        sequence,
        priority,
        options,
        cid,
        octets[E131_SLOTS_AT:],
    )


def read_artnet(octets: bytes) -> Plain | None:
    """Read a datagram of Art-Net's port, if it is a plain Dmx packet."""
    length = len(octets)
    if not ARTNET_SLOTS_AT + 2 <= length <= ARTNET_SLOTS_AT + 512 or length % 2:
        return None
    identifier, opcode, version, sequence, physical, universe = _ART.unpack_from(octets)
    slots = length - ARTNET_SLOTS_AT
    if (
        identifier != b"Art-Net\0"
        or opcode != 0x5000
        or version != 0x0E00
        or universe > ARTNET_LAST
        or octets[16:18] != slots.to_bytes(2, "big")
    ):
        return None
    return Plain(_LEVELS, universe, sequence, 100, 0, bytes(15) + bytes([physical]), octets[ARTNET_SLOTS_AT:])
