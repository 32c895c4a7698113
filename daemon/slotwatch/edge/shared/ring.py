"""The ring: packets in memory shared by intake (one writer) and judging, routes, recorder (readers).

Layout of the memfd: one 4096-octet header page, then each column of `wire.batch.COLUMNS` for all rows
(each starting on a 64-octet boundary), then the payload, rows × ROW_BYTES.

The writer fills rows, then publishes `head` (rows ever written). A reader keeps its own tail. Rows from
`head - rows + guard` on are intact, where guard is the batch that intake may be filling right now.
A single aligned 8-octet store on x86-64 and aarch64 is atomic, and the data is written before the head by
program order through the same mapping; readers check the head again after use (`still_there`).
"""

from __future__ import annotations

import mmap
import os
from collections.abc import Iterator
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from slotwatch.wire.batch import COLUMNS, ROW_BYTES, Batch

HEADER_BYTES = 4096
GUARD_ROWS = 1024
"""Largest batch intake reads at once: rows that may be half written beyond `head`."""
DEFAULT_ROWS = 65_536
"""About 85 MiB; judging may sleep 0.37 s at a full gigabit (177,500 packets/s) without losing a packet."""

_CODES: dict[str, Literal["q", "i", "H", "B"]] = {"<i8": "q", "<i4": "i", "<u2": "H", "u1": "B"}
"""What a column's dtype is called by memoryview."""

HEADER = np.dtype(
    [
        ("head", "<u8"),  # rows ever written
        ("wall_offset_ns", "<i8"),
        ("kernel_drops", "<u8"),
        ("heartbeat_ns", "<i8"),  # monotonic time of intake's last turn
        ("intake_generation", "<u8"),
    ]
)


def _layout(rows: int) -> tuple[dict[str, int], int, int]:
    offsets: dict[str, int] = {}
    place = HEADER_BYTES
    for name, dtype, inner in COLUMNS:
        offsets[name] = place
        size = np.dtype(dtype).itemsize * int(np.prod(inner, dtype=int)) * rows
        place += (size + 63) // 64 * 64
    return offsets, place, place + rows * ROW_BYTES


def size_bytes(rows: int) -> int:
    """Octets of shared memory that a ring of so many rows takes."""
    return _layout(rows)[2]


class Ring:
    """A mapping of the shared memory. `rows` is a power of two. Close it when done."""

    def __init__(self, fd: int, rows: int, *, writable: bool = False) -> None:
        if rows < 2 * GUARD_ROWS or rows & (rows - 1):
            raise ValueError(f"rows must be a power of two of at least {2 * GUARD_ROWS}, not {rows}")
        offsets, payload, size = _layout(rows)
        access = mmap.PROT_READ | (mmap.PROT_WRITE if writable else 0)
        self._map = mmap.mmap(fd, size, mmap.MAP_SHARED, access)
        self.rows = rows
        self.header: NDArray[np.void] = np.frombuffer(self._map, HEADER, count=1)
        self.columns: dict[str, NDArray[Any]] = {}
        for name, dtype, inner in COLUMNS:
            count = rows * int(np.prod(inner, dtype=int))
            self.columns[name] = np.frombuffer(self._map, dtype, count, offsets[name]).reshape(rows, *inner)
        self.data: NDArray[np.uint8] = np.frombuffer(self._map, np.uint8, rows * ROW_BYTES, payload).reshape(
            rows, ROW_BYTES
        )
        # Reading or writing one value through a memoryview costs a tenth of doing so through numpy.
        whole = memoryview(self._map)
        self.payload = whole[payload:]
        """Octets of all rows, ROW_BYTES each."""
        self._counts = whole[:8].cast("Q")
        self.views: dict[str, memoryview] = {}
        """Every column once more, flat, for one row at a time."""
        for name, dtype, inner in COLUMNS:
            size = np.dtype(dtype).itemsize * rows * int(np.prod(inner, dtype=int))
            self.views[name] = whole[offsets[name] : offsets[name] + size].cast(_CODES[dtype])
        self.data_address = self.data.ctypes.data

    @property
    def head(self) -> int:
        """Rows ever written."""
        return self._counts[0]

    @property
    def wall_offset_ns(self) -> int:
        """Wall clock minus monotonic clock at intake's last turn."""
        return int(self.header["wall_offset_ns"][0])

    @property
    def kernel_drops(self) -> int:
        """Packets that socket buffers could not hold, since the program started."""
        return int(self.header["kernel_drops"][0])

    @property
    def heartbeat_ns(self) -> int:
        """Monotonic time of intake's last turn; 0 before its first."""
        return int(self.header["heartbeat_ns"][0])

    @property
    def generation(self) -> int:
        """How many intake processes have written here."""
        return int(self.header["intake_generation"][0])

    def oldest(self) -> int:
        """First row number that is surely intact."""
        return max(0, self.head - self.rows + GUARD_ROWS)

    def still_there(self, first: int) -> bool:
        """Whether rows from `first` on were not overwritten while they were being read."""
        return first >= self.oldest()

    def read(self, first: int, end: int) -> Iterator[Batch]:
        """Yield the rows [first, end) as one batch, or two where the ring wraps. Views, no copies."""
        offset = self.wall_offset_ns
        while first < end:
            start = first % self.rows
            count = min(end - first, self.rows - start)
            part = slice(start, start + count)
            yield Batch(
                data=self.data[part],
                wall_offset_ns=offset,
                **{name: column[part] for name, column in self.columns.items()},
            )
            first += count

    def octets(self, row: int) -> bytes:
        """Copy one packet. `row` is its place: its number modulo `rows`."""
        start = row * ROW_BYTES
        return bytes(self.payload[start : start + self.views["length"][row]])


class RingWriter:
    """The one writer. `place` hands out rows, the caller fills them, `publish` makes them visible.

    A new writer (intake restarted) goes on where the last one stopped: readers see one unbroken count.
    """

    def __init__(self, fd: int, rows: int) -> None:
        self.ring = Ring(fd, rows, writable=True)
        self.header = self.ring.header
        self.header["intake_generation"] += 1
        self._head = self.ring.head
        self._drops_before = self.ring.kernel_drops

    def place(self) -> tuple[int, int]:
        """First row index to fill and how many follow it without a wrap, at most GUARD_ROWS."""
        start = self._head % self.ring.rows
        return start, min(GUARD_ROWS, self.ring.rows - start)

    def publish(self, count: int) -> None:
        """Make `count` rows from `place` on visible. They must be whole."""
        self._head += count
        self.header["head"][0] = self._head

    def turn(self, now_ns: int, wall_offset_ns: int, kernel_drops: int) -> None:
        """Say that intake lives. `kernel_drops` counts since this writer was made."""
        self.header["wall_offset_ns"][0] = wall_offset_ns
        self.header["kernel_drops"][0] = self._drops_before + kernel_drops
        self.header["heartbeat_ns"][0] = now_ns

    def put(self, payload: bytes, **values: Any) -> None:
        """Write one row whole: frames of lines, tests. `values` are columns by name."""
        start, _ = self.place()
        kept = payload[:ROW_BYTES]
        self.ring.data[start, : len(kept)] = np.frombuffer(kept, np.uint8)
        for name, column in self.ring.columns.items():
            column[start] = values.get(name, 0)
        self.ring.columns["length"][start] = len(kept)
        self.publish(1)


def create_memory(rows: int) -> int:
    """Make the shared memory and return its descriptor (inheritable only by pass_fds)."""
    fd = os.memfd_create("slotwatch-ring", os.MFD_CLOEXEC)
    os.ftruncate(fd, size_bytes(rows))
    return fd
