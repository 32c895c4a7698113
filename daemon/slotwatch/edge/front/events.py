"""Server-sent events: encoded once for all listeners. A slow listener does not delay the others.

Each batch gets a number and stays in a short queue. A listener's own task sends what it has not sent; one that falls
behind by the whole queue, or takes longer than SEND_WITHIN_S for one batch, is dropped. Its browser comes back and gets
everything again. So a listener that stalls costs one small task, and memory does not grow.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable

from aiohttp import web

from slotwatch.edge.front.callers import address_of
from slotwatch.views.feed import Event, encode

MOST_LISTENERS = 512
MOST_OF_ONE_ADDRESS = 256
"""Half: a proxy still serves 256 pages, and no address can hold all streams."""
ROW_LENGTH = 16
"""Batches that are kept: 4 s at the highest pace."""
SEND_WITHIN_S = 10.0
KEEP_ALIVE_S = 5.0
"""After this much silence a comment is sent, so that a dead connection is found."""
RETRY_MS = 1000


class Listeners:
    """All listeners, by the universe whose own events they asked for; "" is no universe."""

    def __init__(self, most: int = MOST_LISTENERS, most_of_one: int = MOST_OF_ONE_ADDRESS) -> None:
        self._most = most
        self._most_of_one = most_of_one
        self._rows: deque[tuple[int, bytes, dict[str, bytes]]] = deque(maxlen=ROW_LENGTH)
        self._number = 0
        self._changed = asyncio.Event()
        self._asked: dict[str, int] = {}
        self._of_address: dict[str, list[asyncio.Transport]] = {}
        self.closed = False
        self.count = 0
        self.dropped = 0
        """Listeners that fell behind or were too slow; not those that disconnected."""

    @property
    def universes(self) -> list[str]:
        """Universes whose own page somebody has open."""
        return list(self._asked)

    def publish(self, events: list[Event], of_universes: dict[str, list[Event]] | None = None) -> None:
        """Give a batch to all, and each universe's own events to those who asked for it."""
        own = {name: encode(some) for name, some in (of_universes or {}).items() if some}
        if not self.count or not (events or own):
            return
        self._number += 1
        self._rows.append((self._number, encode(events), own))
        self._wake()

    def close(self) -> None:
        """End all streams at once."""
        self.closed = True
        self._wake()

    def refusal(self, address: str) -> str:
        """Why one more from this address is not taken in; empty if it is.

        Where all places are taken, an address that holds fewer than the one that holds most gets one of that one's.
        """
        own = len(self._of_address.get(address, ()))
        if own >= self._most_of_one:
            return f"{self._most_of_one} pages are open from this address already; close one."
        if self.count < self._most and not self.closed:
            return ""
        most = max(self._of_address.values(), key=len, default=[])
        if self.closed or len(most) <= own + 1:
            return f"{self._most} pages are open already; close one."
        most.pop(0).abort()
        return ""

    async def serve(self, request: web.Request, universe: str, first: Callable[[], bytes]) -> web.StreamResponse:
        """Answer one listener until it leaves, falls behind or the server stops. `first` gives what it gets first."""
        response = web.StreamResponse(
            headers={"Content-Type": "text/event-stream", "Cache-Control": "no-store", "X-Accel-Buffering": "no"}
        )
        transport, address = request.transport, address_of(request.transport)
        own = self._of_address.setdefault(address, [])
        if transport is not None:
            own.append(transport)
        self.count += 1
        if universe:
            self._asked[universe] = self._asked.get(universe, 0) + 1
        try:
            await response.prepare(request)
            seen = self._number
            await response.write(f"retry: {RETRY_MS}\n\n".encode() + first())
            await self._follow(response, universe, seen)
        except (ConnectionError, TimeoutError) as error:
            self.dropped += isinstance(error, TimeoutError) and not self.closed
            if request.transport is not None:
                request.transport.abort()
        finally:
            self.count -= 1
            if transport in own:
                own.remove(transport)
            if not own and self._of_address.get(address) is own:
                del self._of_address[address]
            if universe:
                self._asked[universe] -= 1
                if not self._asked[universe]:
                    del self._asked[universe]
        return response

    async def _follow(self, response: web.StreamResponse, universe: str, seen: int) -> None:
        while not self.closed:
            changed = self._changed
            waiting = [(data, own.get(universe, b"")) for number, data, own in self._rows if number > seen]
            if self._number - seen > len(waiting):
                raise TimeoutError("fell behind")
            if waiting:
                seen = self._number
                text = b"".join(data + own for data, own in waiting)
            else:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(KEEP_ALIVE_S):
                        await changed.wait()
                    continue
                text = b": \n\n"
            if text:
                async with asyncio.timeout(SEND_WITHIN_S):
                    await response.write(text)

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()
