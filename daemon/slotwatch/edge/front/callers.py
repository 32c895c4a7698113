"""Who is connected to the page: bounded in number, and each has a time within which it must have asked something.

Without that, connections that are opened and never say a word (or say it letter by letter) stay for ever, until no
further file can be opened and nobody reaches the page. Between requests the server's own keep-alive time counts.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import cast

MOST_CALLERS = 800
"""Pages (at most 512 listeners), each with a second connection, and what asks by itself; under 1,024 open files."""
ASK_WITHIN_S = 10.0
_SENTENCE = b'{"error": "Too many connections are open; close some pages."}'
TURNED_AWAY = (
    b"HTTP/1.1 503 Service Unavailable\r\nContent-Type: application/json\r\nRetry-After: 10\r\n"
    b"Connection: close\r\nContent-Length: " + str(len(_SENTENCE)).encode() + b"\r\n\r\n" + _SENTENCE
)


class Callers:
    """All connections of one process, whatever door they came in by."""

    def __init__(self, most: int = MOST_CALLERS, ask_within_s: float = ASK_WITHIN_S) -> None:
        self._most = most
        self._ask_within_s = ask_within_s
        self._silent: dict[asyncio.BaseTransport, asyncio.TimerHandle] = {}
        self.count = 0

    def through(self, make: Callable[[], asyncio.BaseProtocol], inside: Inside) -> Callable[[], asyncio.Protocol]:
        """Make connections that are counted and known to be `inside`, in front of those that `make` makes."""
        return lambda: _Caller(self, inside, cast(asyncio.Protocol, make()))

    def heard(self, transport: asyncio.BaseTransport | None) -> None:
        """A whole request has come in by it."""
        if transport is not None and (timer := self._silent.pop(transport, None)) is not None:
            timer.cancel()

    def enter(self, transport: asyncio.Transport) -> bool:
        """Count a connection and start its time. False if it is one too many."""
        if self.count >= self._most:
            return False
        self.count += 1
        later = asyncio.get_running_loop().call_later
        self._silent[transport] = later(self._ask_within_s, self._hang_up, transport)
        return True

    def leave(self, transport: asyncio.BaseTransport) -> None:
        self.count -= 1
        self.heard(transport)

    def _hang_up(self, transport: asyncio.Transport) -> None:
        self._silent.pop(transport, None)
        transport.abort()


class Inside:
    """Who came in by one door. Who was let in just when it was ended would otherwise stay for ever."""

    def __init__(self) -> None:
        self.transports: set[asyncio.Transport] = set()
        self.is_over = False

    def end(self) -> None:
        """Have everybody go, and who still comes in turn round."""
        self.is_over = True
        for transport in list(self.transports):
            transport.abort()


class _Caller(asyncio.Protocol):
    """Passes everything on to the server's own protocol, unless it was turned away."""

    def __init__(self, callers: Callers, inside: Inside, inner: asyncio.Protocol) -> None:
        self._callers = callers
        self._inside = inside
        self._inner = inner
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        opened = cast(asyncio.Transport, transport)
        if self._inside.is_over:
            opened.abort()
            return
        if not self._callers.enter(opened):
            opened.write(TURNED_AWAY)
            opened.close()
            return
        self._transport = opened
        self._inside.transports.add(opened)
        self._inner.connection_made(opened)

    def data_received(self, data: bytes) -> None:
        if self._transport is not None:
            self._inner.data_received(data)

    def eof_received(self) -> bool | None:
        return self._inner.eof_received() if self._transport is not None else None

    def pause_writing(self) -> None:
        if self._transport is not None:
            self._inner.pause_writing()

    def resume_writing(self) -> None:
        if self._transport is not None:
            self._inner.resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._transport is not None:
            self._callers.leave(self._transport)
            self._inside.transports.discard(self._transport)
            self._inner.connection_lost(exc)
