"""Asks judging for a new snapshot before an answer: while nobody reads, judging publishes seldom."""

from __future__ import annotations

import asyncio
import contextlib

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from slotwatch import clock
from slotwatch.edge.front.front import Front
from slotwatch.edge.shared.messages.orders import Look

FRESH_NS = 250_000_000
"""A snapshot younger than this is used as it is."""
WITHIN_S = 0.25
"""A request waits no longer than this for a newer snapshot."""
BUSY_MS = 10.0
"""Where one publication costs more, judging publishes as often as it can afford to: it is not asked."""


class Freshness:
    """Asks once for all requests that come at the same time."""

    def __init__(self, front: Front) -> None:
        self._front = front
        self._asking: asyncio.Task[None] | None = None

    async def freshen(self) -> None:
        """Have the front take in what is true now, if what it has is old."""
        sheet = self._front.sheet
        if sheet is None or self._front.age_ns(clock.monotonic_ns()) < FRESH_NS:
            return
        judging = sheet.snapshot.house.listener.judging
        if judging is not None and judging.snapshot_cost_ms > BUSY_MS:
            return
        if self._asking is None or self._asking.done():
            self._asking = asyncio.create_task(self._ask())
        await asyncio.wait({self._asking}, timeout=WITHIN_S)

    async def _ask(self) -> None:
        with contextlib.suppress(ValueError):  # judging is being restarted: what is here is the newest
            await self._front.see_after(await self._front.ask(Look()))


def reading(front: Front) -> Middleware:
    """Make the handler before those that read from the newest snapshot."""
    freshness = Freshness(front)

    @web.middleware
    async def fresh(request: web.Request, handler: Handler) -> web.StreamResponse:
        path = request.path
        if request.method == "GET" and (path.startswith("/api/v1/") or path in ("/metrics", "/plain")):
            await freshness.freshen()
        return await handler(request)

    return fresh
