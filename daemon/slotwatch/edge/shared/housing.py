"""The running house in shared memory: what every process reads at its start, whatever the file says by then.

A child that is restarted while somebody has half edited the house file goes on with the house that runs.
The value is a pickle made by this program's own loading process and passed by descriptor; with its length and
check sum before it, so that a reading that falls into a rewriting is seen and repeated.
"""

from __future__ import annotations

import os
import pickle
import struct
import time
import zlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from slotwatch.house.schema import House

_HEAD = struct.Struct("<QI")
TRIES = 200
PAUSE_S = 0.005


def create_memory() -> int:
    """Make the shared memory and return its descriptor."""
    return os.memfd_create("slotwatch-house", os.MFD_CLOEXEC)


def write(fd: int, value: bytes) -> None:
    """Leave a pickled house."""
    os.pwrite(fd, _HEAD.pack(0, 0), 0)
    os.pwrite(fd, value, _HEAD.size)
    os.pwrite(fd, _HEAD.pack(len(value), zlib.crc32(value)), 0)


def octets(fd: int) -> bytes:
    """The pickled house as it was left."""
    for _ in range(TRIES):
        head = os.pread(fd, _HEAD.size, 0)
        if len(head) == _HEAD.size:
            length, check = _HEAD.unpack(head)
            value = os.pread(fd, length, _HEAD.size)
            if length and zlib.crc32(value) == check:
                return value
        time.sleep(PAUSE_S)
    raise RuntimeError("no house was left in memory")


def read(fd: int) -> House:
    """The running house."""
    from slotwatch.house.schema import House  # here, so that the parent, which only passes octets on, stays small

    value = pickle.loads(octets(fd))
    if not isinstance(value, House):
        raise TypeError(f"the memory holds a {type(value).__name__}, not a house")
    return value
