"""How late judging is: how long each packet waited for it, and how long it could take none."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable

from slotwatch.edge.shared.ordering import fence
from slotwatch.edge.shared.pace import Pace
from slotwatch.edge.shared.ring import Ring
from slotwatch.snapshot.counters import LagHistogram
from slotwatch.wire.observation import Observation, StallSeen

BOUNDS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0)
"""Gathering takes up to 20 ms, a turn of judging up to 100 ms, idling while nothing is under way up to 500 ms (`pace`):
past that judging falls behind."""


class Lag:
    """A histogram that only grows: of each turn, the age of its oldest packet when all of them had been judged."""

    def __init__(self) -> None:
        self.counts = [0] * (len(BOUNDS_S) + 1)
        self.sum_s = 0.0

    def note(self, age_ns: int) -> None:
        age_s = max(0, age_ns) / 1e9
        self.counts[bisect_left(BOUNDS_S, age_s)] += 1
        self.sum_s += age_s

    def counted(self) -> LagHistogram:
        """Return the histogram as of now."""
        return LagHistogram(BOUNDS_S, tuple(self.counts), self.sum_s)


class Stalls:
    """Reports to the engine for how long packets could not be judged, by this process or by intake."""

    def __init__(
        self,
        ring: Ring,
        pace: Pace,
        away_ns: int,
        observe: Callable[[Observation], None],
        intake_restarted: Callable[[], None],
    ) -> None:
        """away_ns: how long no judging process ran before this one. intake_restarted: called after each restart."""
        self._ring, self._pace, self._away_ns = ring, pace, away_ns
        self._observe, self._intake_restarted = observe, intake_restarted
        self._generation = ring.turned_generation

    def watch(self, now_ns: int) -> None:
        """Report a stall that has ended by now."""
        stalled_ns = self._away_ns or self._pace.late_ns(now_ns)
        self._away_ns = 0
        if stalled_ns:
            self._observe(StallSeen(now_ns, stalled_ns, unheard=False))
        turned = self._ring.turned_generation
        if turned != self._generation:
            # Intake was restarted, and has had its first turn: between the two the sockets were closed.
            fence()  # the word that it is there before its times
            self._generation = turned
            self._observe(StallSeen(now_ns, self._ring.away_ns(), unheard=True))
            self._intake_restarted()

    def is_intake_known(self, now_ns: int) -> bool:
        """Whether the intake that wrote the newest rows is known, and the time without one with it.

        Rows of an intake that is still in its first turn must wait: what is missing before them is not the network's
        fault.
        """
        if self._ring.generation != self._generation:
            self.watch(now_ns)
        return self._ring.generation == self._generation
