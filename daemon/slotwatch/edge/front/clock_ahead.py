"""Where rows of the history belong that were dated while this computer's clock was ahead, later than now."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

ClockStep = tuple[int, int]
"""When the clock was set, by what it was set to, and by how much; wall-clock milliseconds, negative for back."""
Shown = tuple[int, int]
"""What a clock showed: later than the first, up to the last; wall-clock milliseconds."""


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
        """A span by the clock of now, as the clock showed it then. Where its end is before its start, nothing is
        dated within it; what began before that end may still have been open at the start."""
        return since_ms + self.by_ms, min(until_ms + self.by_ms, self.until_ms)


def times_ahead(steps: Iterable[ClockStep], now_ms: int) -> Iterator[TimeAhead]:
    """Give the times in which the clock was ahead, as far as it then showed what is later than now; newest first.
    No two of them overlap: what the clock showed more than once belongs to the last time that it did.

    steps: oldest first.
    """
    known = list(steps)
    by_ms = 0
    shown: list[Shown] = []
    for number in range(len(known) - 1, -1, -1):
        at_ms, step_ms = known[number]
        by_ms -= step_ms
        if by_ms <= 0:
            continue
        after_ms = max(now_ms, known[number - 1][0] - 1) if number else now_ms
        for first_ms, last_ms in _without((after_ms, at_ms - step_ms), shown):
            yield TimeAhead(first_ms, last_ms, by_ms, known[number])
            shown.append((first_ms, last_ms))


def _without(one: Shown, others: Iterable[Shown]) -> list[Shown]:
    """What is left of one time without the others; latest first."""
    left = [one] if one[1] > one[0] else []
    for first_ms, last_ms in others:
        parts = (
            ((piece[0], min(piece[1], first_ms)) for piece in left),
            ((max(piece[0], last_ms), piece[1]) for piece in left),
        )
        left = [piece for pieces in parts for piece in pieces if piece[1] > piece[0]]
    return sorted(left, reverse=True)
