"""The running house in shared memory: every process reads it at its start, even if the file has changed since.

A child that is restarted while a person is editing the house file gets the house that runs.
The value is MessagePack, read strictly by the types of `House`, so nothing in it can run. Its length and its check
sum come before it: a reader that meets a writer sees that and reads again.

A patch of 20,000 fixtures is left as a table: what many have in common is kept once, in memory too (24 MiB for each
process otherwise, 10 so). Who needs no patch reads none.
"""

from __future__ import annotations

import os
import struct
import time
import zlib
from dataclasses import replace
from typing import TYPE_CHECKING

from slotwatch.errors import FormatError

if TYPE_CHECKING:
    from slotwatch.house.schema import House

FORMAT = 8
"""Raised with every change of what a house holds."""
ADVICE = "restart slotwatch"
_HEAD = struct.Struct("<QI")
TRIES = 200
PAUSE_S = 0.005


def create_memory() -> int:
    """Make the shared memory and return its descriptor."""
    return os.memfd_create("slotwatch-house", os.MFD_CLOEXEC)


def encode(house: House) -> bytes:
    """Return the bytes of a house for `write`."""
    import msgspec

    from slotwatch.edge.shared import patch_table

    return msgspec.msgpack.encode((FORMAT, replace(house, fixtures=()), patch_table.of(house.fixtures)))


def write(fd: int, value: bytes) -> None:
    """Leave an encoded house."""
    os.pwrite(fd, _HEAD.pack(0, 0), 0)
    os.pwrite(fd, value, _HEAD.size)
    os.pwrite(fd, _HEAD.pack(len(value), zlib.crc32(value)), 0)


def encoded(fd: int) -> bytes:
    """Return the encoded house as it was left. RuntimeError if there is none."""
    for _ in range(TRIES):
        head = os.pread(fd, _HEAD.size, 0)
        if len(head) == _HEAD.size:
            length, check = _HEAD.unpack(head)
            value = os.pread(fd, length, _HEAD.size)
            if length and zlib.crc32(value) == check:
                return value
        time.sleep(PAUSE_S)
    raise RuntimeError("no house was left in memory")


def read(fd: int, *, with_patch: bool = True) -> House:
    """Return the running house. FormatError if another version of the program left it.

    with_patch: whether its fixtures are wanted; without, it has none.
    """
    # Imported here, so that the parent, which only passes the bytes on, stays small.
    import msgspec

    from slotwatch.edge.shared import patch_table
    from slotwatch.house.schema import House

    try:
        value = encoded(fd)
        number = msgspec.msgpack.decode(msgspec.msgpack.decode(value, type=list[msgspec.Raw])[0])
        if number != FORMAT:
            raise FormatError(f"the house in memory has format {number}, this program reads {FORMAT}", ADVICE)
        _, house, table = msgspec.msgpack.decode(value, type=tuple[int, House, msgspec.Raw])
        return replace(house, fixtures=patch_table.fixtures_of(table)) if with_patch else house
    except (msgspec.DecodeError, IndexError) as error:
        raise FormatError(f"the house in memory cannot be read: {error}", ADVICE) from None
