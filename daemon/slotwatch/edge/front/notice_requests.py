"""A test message on a person's order, through the queue that messages about incidents take."""

from __future__ import annotations

import asyncio

from aiohttp import web

from slotwatch.edge.front.front import Front
from slotwatch.edge.front.guard import Refused, body, order, word
from slotwatch.edge.front.notifications import Notifications
from slotwatch.edge.front.reads import answer

LONGEST_NAME = 80


class NoticeRequests:
    """Handler of the request for a test."""

    def __init__(self, front: Front) -> None:
        self._front = front

    def routes(self) -> list[web.RouteDef]:
        return [web.post("/api/v1/notifications/test", self.test)]

    async def test(self, request: web.Request) -> web.Response:
        """Send a test to all recipients, or to one, and answer with the result of each."""
        name = word(order(await body(request), name=object), "name", LONGEST_NAME, default="")
        found = next((one for one in self._front.followers if isinstance(one, Notifications)), None)
        if found is None:
            raise Refused(409, "The house file declares no recipient of messages.")
        if name and name not in found.recipients:
            raise Refused(404, f"There is no recipient {name!r}; known: {', '.join(found.recipients)}.")
        names = [name] if name else list(found.recipients)
        reasons = await asyncio.gather(*map(found.test, names))
        return answer([{"name": n, "sent": not why, "text": why} for n, why in zip(names, reasons, strict=True)])
