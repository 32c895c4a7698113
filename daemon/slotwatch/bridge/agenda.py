"""When the next frame of each output may be due: at once, or at a time. Times are monotonic nanoseconds."""

from __future__ import annotations

from heapq import heappop, heappush

from slotwatch.durations import NEVER_NS

OUTPUT_BITS = 20
"""Low bits of an entry that hold the index of the output: one number sorts faster than two."""
OUTPUT_MASK = (1 << OUTPUT_BITS) - 1


class Agenda:
    """A heap of frames that may be due. Of each output only its earliest entry counts; later ones are left in it."""

    __slots__ = ("_entries", "_noted", "_ready")

    def __init__(self, outputs: int) -> None:
        self._entries: list[int] = []
        self._ready: list[int] = []
        self._noted = [NEVER_NS] * outputs

    def next_ns(self) -> int:
        """When something may be due: 0 for at once, NEVER_NS for never."""
        if self._ready:
            return 0
        return self._entries[0] >> OUTPUT_BITS if self._entries else NEVER_NS

    def put_at_once(self, index: int) -> None:
        """Note that an output's frame is due now."""
        self._ready.append(index)

    def put(self, index: int, at_ns: int) -> None:
        """Note when an output's next frame is due, unless an earlier time is noted already."""
        if at_ns < self._noted[index]:
            self._noted[index] = at_ns
            heappush(self._entries, at_ns << OUTPUT_BITS | index)

    def noted_ns(self, index: int) -> int:
        """The earliest time that is noted of an output."""
        return self._noted[index]

    def take_ready(self) -> list[int]:
        """Return the outputs whose frames are due at once, in the order in which they were noted."""
        ready = self._ready
        if ready:
            self._ready = []
        return ready

    def take_due(self, now_ns: int) -> int | None:
        """Return one output whose time has come, the earliest first; None if there is none."""
        entries, due = self._entries, (now_ns + 1) << OUTPUT_BITS
        while entries and entries[0] < due:
            entry = heappop(entries)
            index = entry & OUTPUT_MASK
            if entry >> OUTPUT_BITS == self._noted[index]:
                self._noted[index] = NEVER_NS
                return index
        return None
