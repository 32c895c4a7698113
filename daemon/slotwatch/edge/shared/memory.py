"""The shared memory as the parent sees it, without numpy: it makes the memory, and reads how far its children came.

Tests hold these numbers against the layouts of `edge.shared.ring` and `edge.shared.snapshot_buffer`, which need numpy.
"""

from __future__ import annotations

import mmap
import os

RING_HEADER_BYTES = 8192
RING_COLUMN_BYTES = (8, 4, 2, 2, 1, 1, 16, 16)
RING_ROW_BYTES = 1216
RING_HEARTBEAT_AT = 24

SNAPSHOTS_HEADER_BYTES = 4096
SNAPSHOTS_HALF_BYTES = 256 * 1024 * 1024
"""Room for a snapshot, of address space and not of memory. 4,096 universes with 8,192 streams take about 13 MiB."""
SNAPSHOTS_BYTES = SNAPSHOTS_HEADER_BYTES + 2 * SNAPSHOTS_HALF_BYTES
SNAPSHOTS_PROGRESS_AT = 192


def ring_bytes(rows: int) -> int:
    """Bytes of a ring of this many rows: header, columns on 64-byte boundaries, payload."""
    columns = sum((size * rows + 63) // 64 * 64 for size in RING_COLUMN_BYTES)
    return RING_HEADER_BYTES + columns + rows * RING_ROW_BYTES


def make(rows: int) -> dict[str, int]:
    """Descriptors of the ring's and the snapshot buffer's memory. Sparse: only what is written becomes real."""
    made = {}
    for name, size in (("ring", ring_bytes(rows)), ("snapshots", SNAPSHOTS_BYTES)):
        made[name] = os.memfd_create(f"slotwatch-{name}", os.MFD_CLOEXEC)
        os.ftruncate(made[name], size)
    return made


class Progress:
    """How far intake and judging came, read from their shared memory without knowing what else is in it."""

    def __init__(self, ring_fd: int, snapshots_fd: int) -> None:
        self._maps = [mmap.mmap(fd, mmap.PAGESIZE, mmap.MAP_SHARED, mmap.PROT_READ) for fd in (ring_fd, snapshots_fd)]
        # One load for each word: struct reads octet by octet, and the time may be written meanwhile.
        self._ring, self._snapshots = (memoryview(one).cast("q") for one in self._maps)

    def turned_ns(self) -> dict[str, int]:
        """Monotonic time of the last turn of each, 0 before the first."""
        return {
            "intake": self._ring[RING_HEARTBEAT_AT // 8],
            "judging": self._snapshots[SNAPSHOTS_PROGRESS_AT // 8],
        }

    def close(self) -> None:
        for words in (self._ring, self._snapshots):
            words.release()
        for one in self._maps:
            one.close()
