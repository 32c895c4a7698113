"""A tapped DMX512 line as its port shows it."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from slotwatch.durations import NANOSECONDS
from slotwatch.wire.observation import LineSeen

LINE_FAULTS_KEPT_NS = 10 * NANOSECONDS


@dataclass(slots=True)
class TappedLine:
    """One line, with its counted faults of the last 10 s."""

    seen: LineSeen
    told: deque[tuple[int, int, int]] = field(default_factory=lambda: deque(maxlen=256))
    """(time, faults, breaks) of the last 10 s."""

    def take(self, seen: LineSeen) -> None:
        self.seen = seen
        self.told.append((seen.t_ns, seen.faults, seen.breaks))
        while self.told and seen.t_ns - self.told[0][0] > LINE_FAULTS_KEPT_NS:
            self.told.popleft()

    @property
    def faults_10s(self) -> int:
        return self.seen.faults - self.told[0][1] if self.told else 0
