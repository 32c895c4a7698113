"""Packets that arrived with a wrong checksum: the kernel drops them, and the path damaged them, not this computer."""

from __future__ import annotations

from collections import deque

from slotwatch.durations import NANOSECONDS

KEPT_NS = 60 * NANOSECONDS
"""How long each is remembered: a loss is explained while its evidence comes in."""
BUCKET_NS = NANOSECONDS // 10
"""Packets that come within this time are one entry."""


class DamagedPackets:
    """How many came when. The kernel does not say from whom, nor on which network."""

    def __init__(self) -> None:
        self.total = 0
        """Of the whole program."""
        self.since_ns = 0
        """When the present run of them began; 0: there was none yet."""
        self._came: deque[tuple[int, int]] = deque(maxlen=KEPT_NS // BUCKET_NS)
        """(when, how many), the newest last."""

    def take(self, total: int, t_ns: int, run_ns: int) -> None:
        """Take the count of a moment. run_ns: those that come later than this after the last ones are a new run."""
        new, self.total = max(0, total - self.total), total
        if not new:
            return
        last_ns = self.last_ns
        if not self.since_ns or t_ns - last_ns > run_ns:
            self.since_ns = t_ns
        if self._came and t_ns - last_ns < BUCKET_NS:
            new += self._came.pop()[1]
            t_ns = last_ns
        self._came.append((t_ns, new))

    @property
    def last_ns(self) -> int:
        """When the last ones came; 0: none came lately."""
        return self._came[-1][0] if self._came else 0

    def since(self, t_ns: int) -> int:
        """How many came at this time or later, of the last minute."""
        return sum(count for when_ns, count in self._came if when_ns >= t_ns)
