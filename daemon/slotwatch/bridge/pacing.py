"""When a frame leaves: on change at once, never above the DMX512 rate, and each protocol's own keep-alive.

A frame that was overtaken by a newer one before its turn is dropped, never queued.
"""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.wire.dmx512 import shortest_period_us

REPEATS = 3
"""Packets with the final values before suppression (ANSI E1.31-2018 6.6.2)."""
REPEAT_NS = 45_000_000
"""Between those repeats. Longer than a frame of any usual refresh: at 44 Hz a repeat after one interval left just
before the next frame, which then had to wait its turn behind it (measured: 17 ms)."""
KEEP_ALIVE_NS = 900_000_000
"""E1.31: 800 to 1,000 ms (6.6.2); Art-Net recommends the same. The middle, so that a late timer still holds it."""
SLACK_PART = 4
"""Two frames may be this part of an interval closer, so that a late frame does not delay all those after it: input at
nearly the highest rate would stay late for seconds by what it once was late. The mean holds."""


def shortest_interval_ns(slots: int) -> int:
    """Shortest time between frames that a DMX512 line can carry (ANSI E1.11)."""
    return round(shortest_period_us(slots) * 1000)


@dataclass(slots=True)
class Pacer:
    """The pace of one output. `pending` is set when something new waits to be sent."""

    interval_ns: int
    """Shortest mean time between frames."""
    pending: bool = False
    sent_ns: int = 0
    repeats_left: int = 0
    running: bool = False
    _allowed_ns: int = 0
    """When the next frame may leave by the highest mean pace."""

    def change(self) -> None:
        """There is something new to send."""
        self.pending = True
        self.running = True

    def stop(self) -> None:
        """Send nothing more until the next change."""
        self.pending = self.running = False

    def next_ns(self) -> int | None:
        """When the next frame is due, None while stopped. In the past means now."""
        if not self.running:
            return None
        if self.pending:
            mean_ns, after_ns = self._allowed_ns, self.sent_ns + self.interval_ns
            return (mean_ns if mean_ns > after_ns else after_ns) - self.interval_ns // SLACK_PART
        if self.repeats_left > 0:
            return self.sent_ns + max(REPEAT_NS, self.interval_ns)
        return self.sent_ns + KEEP_ALIVE_NS

    def sent(self, now_ns: int) -> None:
        """A frame left at this time."""
        if self.pending:
            self.repeats_left = REPEATS - 1
        elif self.repeats_left:
            self.repeats_left -= 1
        self.pending = False
        self.sent_ns = now_ns
        late_ns = now_ns - self._allowed_ns
        # A short delay is made up for, up to one interval. Idle time is not saved for a burst.
        if late_ns < self.interval_ns:
            self._allowed_ns += self.interval_ns
        elif late_ns < 2 * self.interval_ns:
            self._allowed_ns = now_ns
        else:
            self._allowed_ns = now_ns + self.interval_ns
