"""The batch: many received packets as columns. The one shape in which packets move inside slotwatch.

Rows are in order of arrival. A batch is usually a view of the intake ring (`edge.shared.ring`), so it is only valid
until the ring wraps, and must not be written to.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

ROW_BYTES = 1216
"""Payload room of a row. The longest packet that any of the protocols defines is an E1.31 discovery page,
1,144 bytes (ANSI E1.31-2018 4.3); longer datagrams are marked truncated and rejected, never read."""

NARROWEST = 128
"""Bytes that are copied of the shortest packets: the decoders look at this many of every row at once."""

NETWORK_UNKNOWN = 0xFFFF
"""Arrived on an interface that the house does not declare."""

FLAG_TRUNCATED = 0x01
"""The datagram was longer than ROW_BYTES (the kernel's MSG_TRUNC)."""

COLUMNS: tuple[tuple[str, str, tuple[int, ...]], ...] = (
    ("t_ns", "<i8", ()),
    ("length", "<i4", ()),
    ("network", "<u2", ()),
    ("src_port", "<u2", ()),
    ("protocol", "u1", ()),
    ("flags", "u1", ()),
    ("src", "u1", (16,)),
    ("dst", "u1", (16,)),
)
"""Name, dtype and inner shape of every column except the payload; the ring lays them out in this order."""
_ROW_SIZES = tuple(np.dtype(kind).itemsize * math.prod(inner) for _, kind, inner in COLUMNS)
"""What a row of each takes."""


@dataclass(slots=True)
class Batch:
    """N packets as columns, in order of arrival."""

    data: NDArray[np.uint8]
    """(N, ROW_BYTES); row i is valid up to length[i] bytes, what follows is left over from earlier packets."""
    length: NDArray[np.int32]
    """(N,) bytes of UDP payload kept in the row (at most ROW_BYTES)."""
    t_ns: NDArray[np.int64]
    """(N,) arrival, monotonic nanoseconds (kernel stamp turned monotonic; in a replay the capture's clock)."""
    network: NDArray[np.uint16]
    """(N,) index into the house's networks, or NETWORK_UNKNOWN."""
    protocol: NDArray[np.uint8]
    """(N,) `wire.universe.Protocol`: which port or line it arrived on."""
    src: NDArray[np.uint8]
    """(N, 16) sender's address; IPv4 as ::ffff:a.b.c.d."""
    src_port: NDArray[np.uint16]
    """(N,) sender's UDP port; for LINE the number of the line."""
    dst: NDArray[np.uint8]
    """(N, 16) destination address; zeros where it is not known."""
    flags: NDArray[np.uint8]
    """(N,) FLAG_ bits."""
    wall_offset_ns: int
    """Wall clock minus monotonic clock when this batch was read: wall = t_ns + wall_offset_ns."""
    addresses: tuple[int, ...] = ()
    """What `addresses_of` gives, where it is known: asking an array costs a microsecond. Columns then lie value behind
    value."""

    def __len__(self) -> int:
        return len(self.t_ns)

    def part(self, rows: slice | NDArray[np.intp]) -> Batch:
        """Some of the rows: views of a slice, copies of single rows."""
        columns = {name: getattr(self, name)[rows] for name, _, _ in COLUMNS}
        if not isinstance(rows, slice):
            data = self._close_together(rows, columns["length"])
            return Batch(data=data, wall_offset_ns=self.wall_offset_ns, **columns)
        addresses = self._addresses_from(rows) if self.addresses else ()
        return Batch(data=self.data[rows], wall_offset_ns=self.wall_offset_ns, addresses=addresses, **columns)

    def _close_together(self, rows: NDArray[np.intp], length: NDArray[np.int32]) -> NDArray[np.uint8]:
        """Copy packets. Each takes the room of the longest: behind it begins the next one, which never counts."""
        whole = self.data.shape[1]
        width = min(whole, max(NARROWEST, int(length.max(initial=0)) + 63 & ~63))
        room = np.empty(len(rows) * width + whole, np.uint8)
        room[: len(rows) * width].reshape(-1, width)[:] = self.data[rows, :width]
        room[len(rows) * width :] = 0
        return np.ndarray((len(rows), whole), np.uint8, room, strides=(width, 1))

    def with_addresses(self) -> Batch:
        """The same with the addresses of its columns, which its parts then know too, where they lie value behind
        value."""
        return replace(self, addresses=addresses_of(self)) if is_plain(self) else self

    def _addresses_from(self, rows: slice) -> tuple[int, ...]:
        """Addresses of the rows of a slice; none where they do not follow one another."""
        first, _, step = rows.indices(len(self))
        if step != 1:
            return ()
        data, stride, *columns = self.addresses
        moved = (address + first * size for address, size in zip(columns, _ROW_SIZES, strict=True))
        return data + first * stride, stride, *moved


def addresses_of(batch: Batch) -> tuple[int, ...]:
    """The beginning of a batch's description for compiled code: the address of the packets, the distance from one to
    the next, and the address of each column of COLUMNS."""
    if batch.addresses:
        return batch.addresses
    columns = (getattr(batch, name) for name, _, _ in COLUMNS)
    return batch.data.ctypes.data, batch.data.strides[0], *(column.ctypes.data for column in columns)


def is_plain(batch: Batch) -> bool:
    """Whether each column and each packet is contiguous, as compiled code reads them."""
    if batch.addresses:
        return True
    columns = (getattr(batch, name) for name, _, _ in COLUMNS)
    return batch.data.strides[1] == 1 and all(column.flags.c_contiguous for column in columns)


def joined(batches: list[Batch]) -> Batch:
    """Make one batch of several, in their order. It owns its memory."""
    columns: dict[str, Any] = {name: np.concatenate([getattr(one, name) for one in batches]) for name, _, _ in COLUMNS}
    data = np.concatenate([one.data for one in batches])
    return Batch(data=data, wall_offset_ns=batches[0].wall_offset_ns, **columns)


def empty(rows: int, wall_offset_ns: int = 0) -> Batch:
    """Make a batch of zeroed rows that owns its memory (captures, tests, rehearsals)."""
    made: dict[str, Any] = {name: np.zeros((rows, *inner), dtype) for name, dtype, inner in COLUMNS}
    return Batch(data=np.zeros((rows, ROW_BYTES), np.uint8), wall_offset_ns=wall_offset_ns, **made)
