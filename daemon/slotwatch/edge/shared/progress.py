"""How far intake and judging came, read from their shared memory without knowing what else is in it."""

from __future__ import annotations

import mmap
import struct

from slotwatch.edge.shared import memory


class Progress:
    """Reads the two signs of life. Imports no numpy: the supervising process uses it."""

    def __init__(self, ring_fd: int, snapshots_fd: int) -> None:
        self._ring = mmap.mmap(ring_fd, mmap.PAGESIZE, mmap.MAP_SHARED, mmap.PROT_READ)
        self._snapshots = mmap.mmap(snapshots_fd, mmap.PAGESIZE, mmap.MAP_SHARED, mmap.PROT_READ)

    def turned_ns(self) -> dict[str, int]:
        """Monotonic time of the last turn of each, 0 before the first."""
        return {
            "intake": struct.unpack_from("<q", self._ring, memory.RING_HEARTBEAT_AT)[0],
            "judging": struct.unpack_from("<q", self._snapshots, memory.SNAPSHOTS_PROGRESS_AT)[0],
        }

    def close(self) -> None:
        self._ring.close()
        self._snapshots.close()
