"""Where rows of the history belong that were dated while this computer's clock was ahead, later than now."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

ClockStep = tuple[int, int]
"""When the clock was set, by what it was set to, and by how much; wall-clock milliseconds, negative for back."""


@dataclass(frozen=True, slots=True)
class TimeAhead:
    """A time in which the clock was ahead of now's. What is dated within it is dated `by_ms` too late."""

    after_ms: int
    """What is dated up to here is of another time."""
    until_ms: int
    """What it showed last."""
    by_ms: int
    step: ClockStep
    """How it ended."""

    def span(self, since_ms: int, until_ms: int) -> tuple[int, int]:
        """A span by the clock of now, as the clock showed it then. Empty where the end is before the start."""
        return since_ms + self.by_ms, min(until_ms + self.by_ms, self.until_ms)


def times_ahead(steps: Iterable[ClockStep], now_ms: int) -> Iterator[TimeAhead]:
    """Give the times in which the clock was ahead, as far as it then showed what is later than now; newest first.
    No two of them overlap.

    steps: oldest first.
    """
    known = list(steps)
    by_ms, shown_ms = 0, now_ms
    for number in range(len(known) - 1, -1, -1):
        at_ms, step_ms = known[number]
        by_ms -= step_ms
        after_ms = max(shown_ms, known[number - 1][0] - 1) if number else shown_ms
        until_ms = at_ms - step_ms
        if by_ms > 0 and until_ms > after_ms:
            yield TimeAhead(after_ms, until_ms, by_ms, known[number])
            shown_ms = until_ms
