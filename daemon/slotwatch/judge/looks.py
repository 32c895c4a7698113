"""When rules look: all that look equally often do so in the same passes. Times are monotonic nanoseconds."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence


class Looks:
    """The looks of all rules that look equally often."""

    def __init__(self, every_ns: int) -> None:
        self.every_ns = every_ns
        self.due_ns = 0
        """Before this they do not look."""
        self.last_look_ns = self.before_ns = 0
        """When they looked last, and when before that."""
        self.is_now = False
        """Whether they look in the pass that `turn` began last."""

    def turn(self, now_ns: int) -> None:
        """Begin a pass."""
        self.is_now = now_ns >= self.due_ns
        if self.is_now:
            self.due_ns = now_ns - now_ns % self.every_ns + self.every_ns
            self.before_ns, self.last_look_ns = self.last_look_ns, now_ns

    def pass_over(self, ticks_ns: Sequence[int], first: int) -> None:
        """Take note of passes that were left out because they would have changed nothing. Times ascend.

        first: the place of the first that is new.
        """
        every_ns = self.every_ns
        last = bisect_left(ticks_ns, ticks_ns[-1] // every_ns * every_ns, first)
        if ticks_ns[last] < self.due_ns:
            return
        before_ns = self.last_look_ns
        if last > first:
            before = bisect_left(ticks_ns, ticks_ns[last - 1] // every_ns * every_ns, first)
            before_ns = ticks_ns[before] if ticks_ns[before] >= self.due_ns else before_ns
        self.before_ns, self.last_look_ns = before_ns, ticks_ns[last]
        self.due_ns = (ticks_ns[last] // every_ns + 1) * every_ns
