"""Connections to the page: limited in number, in all and for each address. An idle one is closed after a time.

Without that, connections that send nothing (or send one byte at a time) would stay for ever, until no further file can
be opened and nobody reaches the page. Between requests the server's own keep-alive time counts.

One address has at most its share. When all places are taken, an address that holds fewer than the one that holds
most gets a place of that one. A local probe of /healthz is answered even when nobody else is let in.
"""

from __future__ import annotations

import asyncio
import resource
from collections import OrderedDict
from collections.abc import Callable
from typing import cast

from slotwatch.edge.shared.token import is_loopback

MOST_CALLERS = 800
"""Pages (at most 512 listeners), each with a second connection, and what asks by itself; under 1,024 open files."""
OTHER_FILES = 40
"""Open files of this process that are no connections: 20 in a plain house, and the history, captures and recipients."""
SHARES = 2
"""One address has half of the places at most: a proxy still serves 200 pages, and no address can hold all places."""
ASK_WITHIN_S = 10.0
MOST_PROBES = 16
"""Local connections that are one too many and may still ask whether this program is alive."""
PROBE_WITHIN_S = 2.0
_PROBES = (b"GET /healthz HTTP/1.", b"HEAD /healthz HTTP/1.")


def _closing(status: str, content_type: str, body: bytes, more: str = "") -> bytes:
    head = f"HTTP/1.1 {status}\r\nContent-Type: {content_type}\r\n{more}Connection: close\r\n"
    return head.encode() + b"Content-Length: " + str(len(body)).encode() + b"\r\n\r\n" + body


TURNED_AWAY = _closing(
    "503 Service Unavailable",
    "application/json",
    b'{"error": "Too many connections are open; close some pages."}',
    "Retry-After: 10\r\n",
)
ALIVE = _closing("200 OK", "text/plain; charset=utf-8", b"alive\n")


class Callers:
    """All connections of one process, whatever door they came in by."""

    def __init__(
        self, most: int | None = None, ask_within_s: float = ASK_WITHIN_S, most_of_one: int | None = None
    ) -> None:
        """most: connections in all; None: as many as this process may have files open for, up to MOST_CALLERS."""
        self._most = most_callers() if most is None else most
        self._most_of_one = max(1, self._most // SHARES) if most_of_one is None else most_of_one
        self._ask_within_s = ask_within_s
        self._silent: dict[asyncio.BaseTransport, asyncio.TimerHandle] = {}
        self._inside: dict[str, dict[asyncio.Transport, None]] = {}
        self._places: dict[asyncio.BaseTransport, str] = {}
        self._probes: OrderedDict[asyncio.Transport, asyncio.TimerHandle] = OrderedDict()
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
        address = address_of(transport)
        own = self._inside.get(address, {})
        if len(own) >= self._most_of_one or (self.count >= self._most and not self._make_room(len(own))):
            return False
        self.count += 1
        self._inside.setdefault(address, {})[transport] = None
        self._places[transport] = address
        later = asyncio.get_running_loop().call_later
        self._silent[transport] = later(self._ask_within_s, self._hang_up, transport)
        return True

    def leave(self, transport: asyncio.BaseTransport) -> None:
        """Forget a connection. It may have been counted out already, to make room."""
        self.heard(transport)
        address = self._places.pop(transport, None)
        if address is None:
            return
        self.count -= 1
        own = self._inside[address]
        own.pop(cast(asyncio.Transport, transport), None)
        if not own:
            del self._inside[address]

    def probe(self, transport: asyncio.Transport) -> bool:
        """Whether a connection that was turned away may still ask for /healthz: local ones, a few at a time."""
        if not is_loopback(address_of(transport)):
            return False
        if len(self._probes) >= MOST_PROBES:
            oldest, timer = self._probes.popitem(last=False)
            timer.cancel()
            oldest.abort()
        later = asyncio.get_running_loop().call_later
        self._probes[transport] = later(PROBE_WITHIN_S, transport.abort)
        return True

    def probed(self, transport: asyncio.Transport) -> None:
        """A probe has been answered or has left."""
        if (timer := self._probes.pop(transport, None)) is not None:
            timer.cancel()

    def _make_room(self, own: int) -> bool:
        """Take a place from the address that holds the most, if it holds more than the newcomer would."""
        most = max(self._inside.values(), key=len, default={})
        if len(most) <= own + 1:
            return False
        silent = next((one for one in most if one in self._silent), None)
        leaving = silent or next(iter(most))
        self.leave(leaving)
        leaving.abort()
        return True

    def _hang_up(self, transport: asyncio.Transport) -> None:
        self._silent.pop(transport, None)
        transport.abort()


class Inside:
    """The connections of one door. One that was accepted just when the door was ended would otherwise stay for ever."""

    def __init__(self) -> None:
        self.transports: set[asyncio.Transport] = set()
        self.is_over = False

    def end(self) -> None:
        """Close all connections, and each one that still comes in."""
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
        self._probing: asyncio.Transport | None = None
        self._asked = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        opened = cast(asyncio.Transport, transport)
        if self._inside.is_over:
            opened.abort()
            return
        if not self._callers.enter(opened):
            if self._callers.probe(opened):
                self._probing = opened
                self._inside.transports.add(opened)
                return
            opened.write(TURNED_AWAY)
            opened.close()
            return
        self._transport = opened
        self._inside.transports.add(opened)
        self._inner.connection_made(opened)

    def data_received(self, data: bytes) -> None:
        if self._transport is not None:
            self._inner.data_received(data)
        elif self._probing is not None:
            self._asked = (self._asked + data)[: len(_PROBES[1])]
            if any(wanted.startswith(self._asked) and wanted != self._asked for wanted in _PROBES):
                return  # the request line is not complete yet
            is_probe = self._asked.startswith(_PROBES)
            self._probing.write(ALIVE if is_probe else TURNED_AWAY)
            self._probing.close()
            self._probed()

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
        self._probed()

    def _probed(self) -> None:
        if self._probing is not None:
            self._callers.probed(self._probing)
            self._inside.transports.discard(self._probing)
            self._probing = None


def most_callers() -> int:
    """How many connections this process has room for: without an open file left, none is accepted, not even a probe."""
    files, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return (
        MOST_CALLERS
        if files == resource.RLIM_INFINITY
        else max(1, min(MOST_CALLERS, files - OTHER_FILES - MOST_PROBES))
    )


def address_of(transport: asyncio.BaseTransport | None) -> str:
    """The address at the other end; empty where it is gone already."""
    name = None if transport is None else transport.get_extra_info("peername")
    return str(name[0]) if isinstance(name, tuple) and name else ""
