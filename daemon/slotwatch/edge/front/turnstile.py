"""Lets one request begin in each turn of the event loop; the others wait in line.

Each connection has at most one request in line, so whoever sends on hundreds of them at once still lets others in
between. Without this all of them would be answered in one turn, and a probe, which needs a few turns, would wait for
as many requests as there are connections each time.
"""

from __future__ import annotations

import asyncio
from collections import deque


class Turnstile:
    """One line."""

    def __init__(self) -> None:
        self._waiting: deque[asyncio.Future[None]] = deque()
        self._is_taken = False

    async def enter(self) -> None:
        """Wait for a turn in which no other request begins."""
        if not self._is_taken:
            self._is_taken = True
            asyncio.get_running_loop().call_soon(self._turn)
            return
        waiter = asyncio.get_running_loop().create_future()
        self._waiting.append(waiter)
        await waiter

    def _turn(self) -> None:
        while self._waiting:
            waiter = self._waiting.popleft()
            if not waiter.done():  # it is done where who waited has left
                waiter.set_result(None)
                asyncio.get_running_loop().call_soon(self._turn)
                return
        self._is_taken = False
