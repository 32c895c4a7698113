"""How much of the page's process goes into what switches answer: one answer in a turn of the loop, and a share in all.

The library needs some 15 ms for an answer, and lets nothing else run meanwhile. Many switches that answer at the same
moment, or tables without end, would make the page slow.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Callable
from functools import partial

from slotwatch import clock

SHARE = 0.25
"""Of a core, in the long run. 32 switches of 48 ports need some 0.06 (`benchmarks.switches`)."""
AT_ONCE_NS = 400_000_000
"""Decoding that need not wait after a rest: the ports of a few switches at the moment of an incident."""
USUAL_NS = 15_000_000
"""What an answer of as many values as are asked for at once costs, until some are measured."""
_OF_LAST = 8
"""The mean follows the last so many answers."""


class DecodingPace:
    """All agents of this process ask by one of these: `turn` before each request, `decode` for each answer."""

    def __init__(self) -> None:
        self._paid_ns = -(1 << 62)
        """Up to when the share is given away."""
        self._mean_ns = float(USUAL_NS)
        self._waiting: deque[Callable[[], None]] = deque()

    async def turn(self) -> None:
        """Wait until a request may go."""
        if wait_ns := self.wait_ns(clock.monotonic_ns()):
            await asyncio.sleep(wait_ns / 1e9)

    def wait_ns(self, now_ns: int) -> int:
        """Reserve the decoding of one more answer; returns how long its request must wait for that."""
        self._paid_ns = max(self._paid_ns, now_ns - int(AT_ONCE_NS / SHARE))
        wait_ns = max(0, self._paid_ns - now_ns)
        self._paid_ns += int(self._mean_ns / SHARE)
        return wait_ns

    def note(self, cost_ns: int) -> None:
        """Count what an answer has cost, in processor time."""
        self._mean_ns += (cost_ns - self._mean_ns) / _OF_LAST

    def decode(self, hand_over: Callable[[], None]) -> None:
        """Call `hand_over`, which schedules the decoding, once the answers before are decoded."""
        self._waiting.append(hand_over)
        if len(self._waiting) == 1:
            self._next()

    def _next(self) -> None:
        # The library decodes in the next turn, between these two.
        later = asyncio.get_running_loop().call_soon
        begun: list[int] = []
        later(lambda: begun.append(time.thread_time_ns()))
        try:
            self._waiting[0]()
        finally:
            later(partial(self._decoded, begun))

    def _decoded(self, begun: list[int]) -> None:
        self.note(time.thread_time_ns() - begun[0])
        self._waiting.popleft()
        if self._waiting:
            self._next()
