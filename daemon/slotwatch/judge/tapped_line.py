"""A tapped DMX512 line as its port shows it."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from slotwatch.durations import NANOSECONDS
from slotwatch.wire.observation import LineSeen

LINE_FAULTS_KEPT_NS = 10 * NANOSECONDS
WINDOW_S = LINE_FAULTS_KEPT_NS / NANOSECONDS
MOST_FAULTS = 10
"""Bytes with framing faults in that time that are still accepted (common practice, no source)."""


@dataclass(slots=True)
class TappedLine:
    """One line, with its counted faults of the last 10 s."""

    seen: LineSeen
    counted: deque[LineSeen] = field(default_factory=lambda: deque(maxlen=256))
    """What its port counted in the last 10 s."""
    opened_ns: int = 0
    """When its port could be read again; 0: it always could, or it cannot."""
    closed_ns: int = 0
    """Since when its port cannot be read; 0: it can, or never could."""
    before: TappedLine | None = None
    """While its port cannot be read: the line as it was before."""

    def take(self, seen: LineSeen) -> None:
        if seen.open and not self.seen.open:
            self.opened_ns, self.closed_ns, self.before = seen.t_ns, 0, None
        elif self.seen.open and not seen.open:
            self.closed_ns, self.before = seen.t_ns, TappedLine(self.seen, deque(self.counted))
        if seen.received < self.seen.received or seen.breaks < self.seen.breaks:
            self.counted.clear()  # what reads the port was started again, and counts from 0
        self.seen = seen
        self.counted.append(seen)
        while self.counted and seen.t_ns - self.counted[0].t_ns > LINE_FAULTS_KEPT_NS:
            self.counted.popleft()

    @property
    def is_missing(self) -> bool:
        """Whether its port cannot be read now, for a reason that is known."""
        return not self.seen.open and bool(self.seen.trouble)

    def was_read_at(self, t_ns: int) -> bool:
        """Whether its newest report is no older than a moment, and says that its port can be read."""
        return self.seen.open and self.seen.t_ns >= t_ns

    def breaks_since(self, t_ns: int) -> int:
        """Breaks that were counted from a moment on, as far as counts were taken since then."""
        return next((self.seen.breaks - one.breaks for one in self.counted if one.t_ns >= t_ns), 0)

    @property
    def breaks_10s(self) -> int:
        return self.seen.breaks - self.counted[0].breaks if self.counted else 0

    @property
    def faults_10s(self) -> int:
        return self.seen.faults - self.counted[0].faults if self.counted else 0

    @property
    def misframed_ratio_10s(self) -> float:
        """Share of the bytes that came with a framing fault; 0 where none came."""
        first = self.counted[0] if self.counted else self.seen
        return (self.seen.misframed - first.misframed) / max(1, self.seen.received - first.received)
