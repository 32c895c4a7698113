"""The snapshot buffer: judging's snapshot in shared memory. The front process reads it without waiting.

Layout of the memfd: one 4096-byte header, then two halves. Judging writes the half that is not current under
an odd sequence number, makes it even, then says that this half is current. A reader copies the current half out
and keeps the copy if the half's sequence number is even and did not change meanwhile. The memory is sparse:
only what was once written is real.

Order of writing: odd number, parts, even number, current number, with a fence between each two. Order of reading:
current number, the half's number, parts, the half's number again, with a fence between each two. So a reader that
saw any byte of a newer snapshot sees the odd number of that snapshot too, and drops its copy. Each number is one
aligned 8-byte store, which x86-64 and arm64 never split.

A half holds: number of parts, their lengths, then the parts, each on a 64-byte boundary. Part 0 is the
header; the others are the bytes of the arrays it refers to (`snapshot.encoding`), so that levels are copied once and
not twice.
"""

from __future__ import annotations

import mmap
import os
import struct

from slotwatch.edge.shared.memory import SNAPSHOTS_BYTES as SIZE_BYTES
from slotwatch.edge.shared.memory import SNAPSHOTS_HALF_BYTES as HALF_BYTES
from slotwatch.edge.shared.memory import SNAPSHOTS_HEADER_BYTES as HEADER_BYTES
from slotwatch.edge.shared.memory import SNAPSHOTS_PROGRESS_AT as PROGRESS_AT
from slotwatch.edge.shared.ordering import fence
from slotwatch.snapshot import Snapshot
from slotwatch.snapshot.encoding import from_parts, to_parts

TRIES = 8

_CURRENT_AT = 0
"""Word: sequence number of the newest publication; its half is that modulo 2."""
_HALF_AT = (8, 16)
"""Words, of each half: sequence number (odd while it is being written), and in the next word its bytes in use."""
_TURNED, _JUDGED, _LOST, _NUMBER = range(PROGRESS_AT // 8, PROGRESS_AT // 8 + 4)
"""Words at 192: monotonic time of judging's last turn, ring rows judged, rows lost, the number of the next incident."""


def create_memory() -> int:
    """Make the shared memory and return its descriptor."""
    fd = os.memfd_create("slotwatch-snapshots", os.MFD_CLOEXEC)
    os.ftruncate(fd, SIZE_BYTES)
    return fd


class SnapshotBuffer:
    """A mapping of the snapshot buffer."""

    def __init__(self, fd: int, *, writable: bool = False) -> None:
        access = mmap.PROT_READ | (mmap.PROT_WRITE if writable else 0)
        self._map = mmap.mmap(fd, SIZE_BYTES, mmap.MAP_SHARED, access)
        # One load or store for each word. struct writes zeros first, then octet by octet: whoever read the time of the
        # last turn meanwhile took judging for stuck since the computer began.
        self._words = memoryview(self._map)[:HEADER_BYTES].cast("Q")

    def close(self) -> None:
        self._words.release()
        self._map.close()

    @property
    def sequence(self) -> int:
        """Number of the newest publication; 0 before the first."""
        return self._words[_CURRENT_AT]

    def progress(self) -> tuple[int, int, int]:
        """Monotonic time of judging's last turn, ring rows judged so far, ring rows lost so far."""
        return self._words[_TURNED], self._words[_JUDGED], self._words[_LOST]

    @property
    def next_incident(self) -> int:
        """The number that the next incident gets; 0 before judging's first pass."""
        return self._words[_NUMBER]


class SnapshotWriter(SnapshotBuffer):
    """Judging's side."""

    def __init__(self, fd: int) -> None:
        super().__init__(fd, writable=True)

    def turn(self, now_ns: int, rows_judged: int, rows_lost: int) -> None:
        """Say that judging lives and how far it came."""
        self._words[_TURNED], self._words[_JUDGED], self._words[_LOST] = now_ns, rows_judged, rows_lost

    def number(self, next_incident: int) -> None:
        """Say which number comes next, before anything shows the one before."""
        self._words[_NUMBER] = next_incident

    def publish(self, snapshot: Snapshot) -> int:
        """Write a snapshot; return its bytes. ValueError if it cannot fit (then the last one stays)."""
        parts = to_parts(snapshot)
        head = struct.pack(f"<Q{len(parts)}Q", len(parts), *(part.nbytes for part in parts))
        places, size = _places(len(head), [part.nbytes for part in parts])
        if size > HALF_BYTES:
            raise ValueError(f"a snapshot of {size} bytes does not fit the snapshot buffer's {HALF_BYTES}")
        number = self.sequence + 1
        base, mark = HEADER_BYTES + (number % 2) * HALF_BYTES, _HALF_AT[number % 2]
        self._words[mark] = 2 * number - 1
        fence()  # the odd number before the parts
        self._map[base : base + len(head)] = head
        for place, part in zip(places, parts, strict=True):
            self._map[base + place : base + place + part.nbytes] = part
        self._words[mark + 1] = size
        fence()  # the parts before the even number
        self._words[mark] = 2 * number
        fence()  # the even number before the current one
        self._words[_CURRENT_AT] = number
        return size


class SnapshotReader(SnapshotBuffer):
    """The front's side. `read` gives the newest snapshot, decoded once for each publication."""

    def __init__(self, fd: int) -> None:
        super().__init__(fd)
        self._read_sequence = 0
        self._snapshot: Snapshot | None = None

    def read(self) -> Snapshot | None:
        """The newest snapshot; None before the first. Its arrays are read-only."""
        for _ in range(TRIES):
            number = self.sequence
            if number == self._read_sequence:
                return self._snapshot
            copy = self._copy(number)
            if copy is not None:
                self._snapshot, self._read_sequence = _decode(copy), number
                return self._snapshot
        # The writer was killed in the middle of a publication: the last snapshot that was read still counts.
        return self._snapshot

    def _copy(self, number: int) -> bytes | None:
        base, mark = HEADER_BYTES + (number % 2) * HALF_BYTES, _HALF_AT[number % 2]
        fence()  # the current number before the half's
        if self._words[mark] != 2 * number:
            return None
        fence()  # the half's number before its parts
        copy = self._map[base : base + min(HALF_BYTES, self._words[mark + 1])]
        fence()  # the parts before the half's number
        return copy if self._words[mark] == 2 * number else None


def _places(head_bytes: int, sizes: list[int]) -> tuple[list[int], int]:
    """Where each part starts within a half, and where the last one ends."""
    places, place = [], head_bytes
    for size in sizes:
        place = (place + 63) // 64 * 64
        places.append(place)
        place += size
    return places, place


def _decode(copy: bytes) -> Snapshot:
    count = struct.unpack_from("<Q", copy)[0]
    sizes = list(struct.unpack_from(f"<{count}Q", copy, 8))
    places, _ = _places(8 + 8 * count, sizes)
    view = memoryview(copy)
    parts = [view[place : place + size] for place, size in zip(places, sizes, strict=True)]
    return from_parts(parts)
