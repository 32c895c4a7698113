"""How long packets waited between arrival and judgement, as a histogram that only grows."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field

from slotwatch.snapshot.counters import LagHistogram

BOUNDS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0)
"""Gathering takes up to 20 ms, a turn of judging up to 100 ms, idling while nothing is under way up to 500 ms (`pace`):
past that judging falls behind."""


@dataclass(slots=True)
class Lag:
    """One value a turn: the age of its oldest packet when all of them had been judged."""

    counts: list[int] = field(default_factory=lambda: [0] * (len(BOUNDS_S) + 1))
    sum_s: float = 0.0

    def note(self, age_ns: int) -> None:
        age_s = max(0, age_ns) / 1e9
        self.counts[bisect_left(BOUNDS_S, age_s)] += 1
        self.sum_s += age_s

    def counted(self) -> LagHistogram:
        """Return the histogram as of now."""
        return LagHistogram(BOUNDS_S, tuple(self.counts), self.sum_s)
