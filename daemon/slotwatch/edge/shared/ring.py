"""The ring: packets in memory shared by intake (one writer) and judging, routes, recorder (readers).

Layout of the memfd: a 4096-byte header page, a page for readers to write in, each column of `wire.batch.COLUMNS` for
all rows (each starting on a 64-byte boundary), the first NEAR_BYTES of each packet, and what lies behind them. Only
discovery pages and what is no show data are longer, so the last plane is hardly ever real memory.

Rows are counted without end. Row number n lies at place (n - `origin`) modulo `rows`. Where judging has taken all rows,
and so have routes if the house has any, intake rewinds: `origin` becomes `head`, so that a house's packets come to lie
in the same few rows, which stay in the processors' caches, and the other rows need no memory (`RingWriter.rewind`).

Order of writing: the rows, then `head` (rows ever written), and only then rows of the next batch. `RingWriter.publish`
puts a fence on both sides of the store of `head`: the first makes rows visible before the count that covers them, the
second makes the count visible before the next batch overwrites older rows. `head` is one aligned 8-byte store,
which x86-64 and arm64 never split. So is `origin`, with a fence behind its store: it is visible before any row that is
written at its new place.

Order of reading: `head`, `origin`, then the rows, then both again (`ring_reader`, with a fence between each two). The
writer fills at most GUARD_ROWS rows beyond `head`, so rows from `head - rows + GUARD_ROWS` on and from `origin` on were
whole while they were read, if both are those that are read afterwards. A reader therefore copies first, checks then,
and uses nothing else. What readers say they have taken is a hint: were it wrong, rows would be lost and counted.
"""

from __future__ import annotations

import mmap
import os
from collections.abc import Iterator, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from slotwatch.edge.shared.ordering import fence
from slotwatch.wire.batch import COLUMNS, ROW_BYTES, Batch

HEADER_BYTES = 8192
READERS_AT = 4096
"""Where the page begins that readers write: how many rows judging has taken, and how many routes have."""
GUARD_ROWS = 1024
"""Largest batch intake reads at once: rows that may be half written beyond `head`."""
NEAR_BYTES = 640
"""A full data packet is 638 bytes (ANSI E1.31-2018 table 4-1)."""
FAR_BYTES = ROW_BYTES - NEAR_BYTES
KEPT_ROWS = 8192
"""Rows whose memory is kept, 5 MiB: in step with judging a full gigabit fills 2,000 to 4,000."""

_CODES: dict[str, Literal["q", "i", "H", "B"]] = {"<i8": "q", "<i4": "i", "<u2": "H", "u1": "B"}
"""What a column's dtype is called by memoryview."""

(
    HEAD,  # rows ever written
    WALL_OFFSET_NS,
    KERNEL_DROPS,
    HEARTBEAT_NS,  # monotonic time of intake's last turn
    GENERATION,  # of the intake that writes
    LEFT_NS,  # heartbeat of the intake before this one; 0: there was none
    BEGAN_NS,  # heartbeat of this intake's first turn
    TURNED_GENERATION,  # the newest intake that ended its first turn
    DAMAGED,  # packets whose checksum was wrong
    ORIGIN,  # number of the row at the first place
) = range(WORDS := 10)
"""Words of the header, of 64 bits with a sign."""


def _layout(rows: int) -> tuple[dict[str, int], int, int]:
    offsets: dict[str, int] = {}
    place = HEADER_BYTES
    for name, dtype, inner in COLUMNS:
        offsets[name] = place
        size = np.dtype(dtype).itemsize * int(np.prod(inner, dtype=int)) * rows
        place += (size + 63) // 64 * 64
    return offsets, place, place + rows * ROW_BYTES


def size_bytes(rows: int) -> int:
    """Bytes of shared memory that a ring of this many rows takes."""
    return _layout(rows)[2]


class Ring:
    """A mapping of the shared memory. `rows` is a power of two. Close it when done."""

    def __init__(
        self, fd: int, rows: int, *, writable: bool = False, reports: bool = False, routes: bool = False
    ) -> None:
        """reports: its reader says how far it came, so that intake may rewind. At most one of all rings does.

        routes: it is the ring of routes, which say so too.
        """
        if rows < 2 * GUARD_ROWS or rows & (rows - 1):
            raise ValueError(f"rows must be a power of two of at least {2 * GUARD_ROWS}, not {rows}")
        offsets, payload, size = _layout(rows)
        access = mmap.PROT_READ | (mmap.PROT_WRITE if writable else 0)
        self._map = mmap.mmap(fd, size, mmap.MAP_SHARED, access)
        self.rows = rows
        behind = payload + rows * NEAR_BYTES
        self.data: NDArray[np.uint8] = np.frombuffer(self._map, np.uint8, rows * NEAR_BYTES, payload).reshape(
            rows, NEAR_BYTES
        )
        self.far: NDArray[np.uint8] = np.frombuffer(self._map, np.uint8, rows * FAR_BYTES, behind).reshape(
            rows, FAR_BYTES
        )
        """What packets longer than NEAR_BYTES hold behind these."""
        columns = {
            name: np.frombuffer(self._map, dtype, rows * int(np.prod(inner, dtype=int)), offsets[name]).reshape(
                rows, *inner
            )
            for name, dtype, inner in COLUMNS
        }
        self.packets = Batch(data=self.data, wall_offset_ns=0, addresses=(), **columns)
        """All rows, as views of their first NEAR_BYTES. The wall offset is in the header."""
        # Reading or writing one value through a memoryview costs a tenth of doing so through numpy.
        whole = memoryview(self._map)
        self.payload = whole[payload:behind]
        """The first NEAR_BYTES of each row."""
        self._far = whole[behind:]
        self.words = whole[: 8 * WORDS].cast("q")
        """The header, each of which is one load or one store."""
        self.reports = reports
        writes = reports or routes
        page = memoryview(mmap.mmap(fd, 4096, mmap.MAP_SHARED, offset=READERS_AT)) if writes else whole[READERS_AT:]
        self.taken_word, self.routed_word = page[:8].cast("Q"), page[8:16].cast("Q")
        """How many rows the reader that reports has taken, and how many routes have."""
        self.views: dict[str, memoryview] = {}
        """Every column once more, flat, for one row at a time."""
        for name, dtype, inner in COLUMNS:
            size = np.dtype(dtype).itemsize * rows * int(np.prod(inner, dtype=int))
            self.views[name] = whole[offsets[name] : offsets[name] + size].cast(_CODES[dtype])
        self.addresses = self.data.ctypes.data, self.far.ctypes.data
        self.header_address = self.addresses[0] - payload
        self._planes = [(offsets[name], self.views[name].nbytes // rows) for name in offsets]
        self._planes += [(payload, NEAR_BYTES), (behind, FAR_BYTES)]
        """Where each column and each part of the packets begins, and bytes a row."""

    @property
    def head(self) -> int:
        """Rows ever written."""
        return self.words[HEAD]

    @property
    def origin(self) -> int:
        """Number of the row at the first place. Read it after `head`, with a fence between them."""
        return self.words[ORIGIN]

    def publish(self, head: int) -> None:
        """Store `head`, in one piece. The writer's."""
        self.words[HEAD] = head

    @property
    def wall_offset_ns(self) -> int:
        """Wall clock minus monotonic clock at intake's last turn."""
        return self.words[WALL_OFFSET_NS]

    @property
    def kernel_drops(self) -> int:
        """Packets that socket buffers could not hold, since the program started."""
        return self.words[KERNEL_DROPS]

    @property
    def damaged(self) -> int:
        """Packets that arrived with a wrong checksum, since the program started."""
        return self.words[DAMAGED]

    @property
    def heartbeat_ns(self) -> int:
        """Monotonic time of intake's last turn; 0 before its first."""
        return self.words[HEARTBEAT_NS]

    @property
    def generation(self) -> int:
        """How many intake processes have written here."""
        return self.words[GENERATION]

    @property
    def turned_generation(self) -> int:
        """The newest intake that ended its first turn. Until it does, its rows say nothing of why they are few."""
        return self.words[TURNED_GENERATION]

    def release(self, first: int) -> None:
        """Give back the memory of all places from `first` on. The writer's; nothing there may be wanted any more."""
        for start, width in self._planes:
            begin = -(-(start + first * width) // mmap.PAGESIZE) * mmap.PAGESIZE
            end = (start + self.rows * width) // mmap.PAGESIZE * mmap.PAGESIZE
            if end > begin:
                self._map.madvise(mmap.MADV_REMOVE, begin, end - begin)

    def away_ns(self) -> int:
        """Time between the last turn of the intake before and the first of this one, in which the sockets were
        closed."""
        left_ns = self.words[LEFT_NS]
        return max(0, self.words[BEGAN_NS] - left_ns) if left_ns else 0

    def oldest(self) -> int:
        """First row that intake does not overwrite before it writes `head` again."""
        origin = self.origin
        return max(origin, self.head - self.rows + GUARD_ROWS)

    def was_whole(self, first: int) -> bool:
        """Whether all that was read until now of rows from `first` on was whole. Asked after reading."""
        fence()
        return first >= self.oldest()

    def places_of(self, first: int, end: int) -> Iterator[tuple[int, int]]:
        """Yield where in `packets` the rows [first, end) lie, as first and end of one piece, or of two where the ring
        wraps.

        Intake may overwrite them at any time: for what may be wrong now and then. Else use a `ring_reader.RingReader`.
        """
        origin = self.origin
        first = max(first, origin)
        while first < end:
            start = (first - origin) % self.rows
            count = min(end - first, self.rows - start)
            yield start, start + count
            first += count

    def packet(self, row: int) -> bytes:
        """Copy one packet. `row` is its place. Ask `was_whole` before it is used."""
        start, length = row * NEAR_BYTES, self.views["length"][row]
        near = bytes(self.payload[start : start + min(length, NEAR_BYTES)])
        if length <= NEAR_BYTES:
            return near
        start = row * FAR_BYTES
        return near + bytes(self._far[start : start + min(length - NEAR_BYTES, FAR_BYTES)])


class RingWriter:
    """The one writer. `place` hands out rows, the caller fills them, `publish` makes them visible.

    A new writer (intake restarted) continues where the last one stopped: readers see one unbroken count.
    """

    def __init__(self, fd: int, rows: int) -> None:
        self.ring = Ring(fd, rows, writable=True)
        self._words = self.ring.words
        self._generation = self.ring.generation + 1
        self._words[LEFT_NS] = self._words[HEARTBEAT_NS]
        self._words[GENERATION] = self._generation
        self._head, self._origin = self.ring.head, self.ring.origin
        self._is_wide = True
        """Whether rows beyond KEPT_ROWS may hold memory."""
        self._drops_before, self._damaged_before = self.ring.kernel_drops, self.ring.damaged

    def place(self) -> tuple[int, int]:
        """First row index to fill and how many follow it without a wrap, at most GUARD_ROWS."""
        start = (self._head - self._origin) % self.ring.rows
        return start, min(GUARD_ROWS, self.ring.rows - start)

    def rewind(self, *, for_routes: bool = False) -> None:
        """Continue at the first place if the reader that reports has taken all rows.

        for_routes: and routes have, too.
        """
        is_routed = not for_routes or self.ring.routed_word[0] == self._head
        if is_routed and self._head != self._origin and self.ring.taken_word[0] == self._head:
            self._is_wide |= self._head - self._origin > KEPT_ROWS
            self._origin = self._head
            self._words[ORIGIN] = self._origin
            fence()  # the origin before the next rows

    def take_over(self, widest: int) -> None:
        """Continue behind what compiled code wrote and published; `widest`: most rows that lay behind one another."""
        self._is_wide |= widest > KEPT_ROWS
        self._head, self._origin = self.ring.head, self.ring.origin

    def release(self) -> None:
        """Give back the memory of rows that were filled while a reader was behind. Costs nothing if there are none."""
        if self._is_wide and self._head - self._origin <= KEPT_ROWS - GUARD_ROWS:
            self._is_wide = False
            self.ring.release(KEPT_ROWS)

    def publish(self, count: int) -> None:
        """Make `count` rows from `place` on visible. They must be whole."""
        self._head += count
        fence()  # rows before the count
        self.ring.publish(self._head)
        fence()  # the count before the next rows

    def turn(self, now_ns: int, wall_offset_ns: int, kernel_drops: int, damaged: int = 0) -> None:
        """Say that intake lives. `kernel_drops` and `damaged` count since this writer was made."""
        self._words[WALL_OFFSET_NS] = wall_offset_ns
        self._words[KERNEL_DROPS] = self._drops_before + kernel_drops
        self._words[DAMAGED] = self._damaged_before + damaged
        self._words[HEARTBEAT_NS] = now_ns
        if self.ring.turned_generation != self._generation:
            self._words[BEGAN_NS] = now_ns
            fence()  # the time before the word that it is there
            self._words[TURNED_GENERATION] = self._generation

    def put(self, payload: bytes, **values: int | Sequence[int]) -> None:
        """Write one row whole: frames of lines, tests. `values` are columns by name."""
        start, _ = self.place()
        kept = payload[:ROW_BYTES]
        packets = self.ring.packets
        as_array = np.frombuffer(kept, np.uint8)
        self.ring.data[start, : min(len(kept), NEAR_BYTES)] = as_array[:NEAR_BYTES]
        self.ring.far[start, : max(0, len(kept) - NEAR_BYTES)] = as_array[NEAR_BYTES:]
        for name, _, _ in COLUMNS:
            getattr(packets, name)[start] = values.get(name, 0)
        packets.length[start] = len(kept)
        self.publish(1)


def create_memory(rows: int) -> int:
    """Make the shared memory and return its descriptor (inheritable only by pass_fds)."""
    fd = os.memfd_create("slotwatch-ring", os.MFD_CLOEXEC)
    os.ftruncate(fd, size_bytes(rows))
    return fd
