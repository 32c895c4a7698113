"""What kind of address a stream is sent to: the group of its own universe, another group, everybody, one computer."""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray


class Destination(IntEnum):
    """Values of the column `destination_kind`."""

    UNKNOWN = 0
    OWN_GROUP = 1
    """The multicast group of the stream's own universe."""
    OTHER_GROUP = 2
    """Any other multicast group."""
    BROADCAST = 3
    UNICAST = 4


MULTICAST = (Destination.OWN_GROUP, Destination.OTHER_GROUP)


def is_multicast(kinds: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """(N,) whether each `destination_kind` is a multicast group."""
    found: NDArray[np.bool_] = (kinds == Destination.OWN_GROUP) | (kinds == Destination.OTHER_GROUP)
    return found


def destination(address: bytes, universe: int) -> tuple[Destination, int]:
    """Give what a destination address is, and the universe whose group it is (0: no universe's group).

    address: 16 bytes, IPv4 as ::ffff:a.b.c.d; all zero where it is not known. universe: of the packet.
    Source: ANSI E1.31-2018 9.3.1 (239.255.hi.lo) and 9.3.2 (ff18::8300:hhll). A directed broadcast
    (10.255.255.255) cannot be distinguished from unicast without the interface's mask and counts as unicast.
    """
    if not any(address):
        return Destination.UNKNOWN, 0
    if address[:12] == bytes(10) + b"\xff\xff":
        if address[12:14] == b"\xef\xff":
            return _group(address[14] << 8 | address[15], universe)
        if address[12:] == b"\xff\xff\xff\xff":
            return Destination.BROADCAST, 0
        return (Destination.OTHER_GROUP if 224 <= address[12] < 240 else Destination.UNICAST), 0
    if address[:2] == b"\xff\x18" and address[12:14] == b"\x83\x00":
        return _group(address[14] << 8 | address[15], universe)
    return (Destination.OTHER_GROUP if address[0] == 0xFF else Destination.UNICAST), 0


def _group(number: int, universe: int) -> tuple[Destination, int]:
    return (Destination.OWN_GROUP if number == universe else Destination.OTHER_GROUP), number
