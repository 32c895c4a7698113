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


_V4 = np.array([0] * 10 + [0xFF] * 2, np.uint8)


def is_multicast(kinds: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """(N,) whether each `destination_kind` is a multicast group."""
    found: NDArray[np.bool_] = (kinds == Destination.OWN_GROUP) | (kinds == Destination.OTHER_GROUP)
    return found


def destinations(
    addresses: NDArray[np.uint8], universes: NDArray[np.uint16]
) -> tuple[NDArray[np.uint8], NDArray[np.uint16]]:
    """Give what each destination address is (`Destination`), and the universe whose group it is (0: no universe's).

    addresses: (N, 16), IPv4 as ::ffff:a.b.c.d; all zero where it is not known. universes: of the packets.
    Source: ANSI E1.31-2018 9.3.1 (239.255.hi.lo) and 9.3.2 (ff18::8300:hhll). A directed broadcast
    (10.255.255.255) cannot be distinguished from unicast without the interface's mask and counts as unicast.
    """
    is_v4 = (addresses[:, :12] == _V4).all(1)
    first, second, third, last = addresses[:, 12:].T
    is_universe = np.where(
        is_v4,
        (first == 239) & (second == 255),
        (addresses[:, 0] == 0xFF) & (addresses[:, 1] == 0x18) & (first == 0x83) & (second == 0),
    )
    of = np.where(is_universe, third.astype(np.uint16) << 8 | last, 0).astype(np.uint16)
    is_group = np.where(is_v4, (first >= 224) & (first < 240), addresses[:, 0] == 0xFF)
    kinds = np.where(is_group, Destination.OTHER_GROUP, Destination.UNICAST).astype(np.uint8)
    kinds[is_universe & (of == universes)] = Destination.OWN_GROUP
    kinds[is_v4 & (addresses[:, 12:] == 0xFF).all(1)] = Destination.BROADCAST
    kinds[~addresses.any(1)] = Destination.UNKNOWN
    return kinds, of
