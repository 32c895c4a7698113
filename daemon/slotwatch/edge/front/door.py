"""The listening side of the page: its address, its certificate and its open connections.

The listening sockets stay open while what answers behind them is exchanged: a client that connects meanwhile waits in
the kernel's queue and is not refused. Only another address closes them.
"""

from __future__ import annotations

import asyncio
import errno
import socket

from aiohttp import web

from slotwatch.edge.front.callers import ASK_WITHIN_S, Callers, Inside
from slotwatch.edge.front.certificate import PageCertificate
from slotwatch.edge.front.complaints import Complaints
from slotwatch.edge.shared.ports import holder_sentence
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House
from slotwatch.house.service import Http

STOP_WITHIN_S = 1.0
WAITING_IN_LINE = 256
KEEP_ALIVE_S = 75.0
"""How long a connection may wait for its next request."""


class WebServer:
    """One application behind one address. `open` it, `close` it to new requests, `end` those that still run."""

    def __init__(
        self,
        house: House,
        callers: Callers,
        complaints: Complaints | None = None,
        certificate: PageCertificate | None = None,
    ) -> None:
        """certificate: what it encrypts with; None: read from the house's files (EdgeError if it cannot be used)."""
        self.http = house.http
        self._callers = callers
        self._complaints = complaints or Complaints()
        self._tls = (certificate or PageCertificate(house)).context
        self._sockets: list[socket.socket] = []
        self._runner: web.AppRunner | None = None
        self._servers: list[asyncio.Server] = []
        self._inside = Inside()

    @property
    def line(self) -> list[socket.socket]:
        """The listening sockets, at which the kernel has callers wait in line; a door that follows takes them over."""
        return self._sockets

    async def listen(self) -> None:
        """Take the address: callers wait in line until `open`. EdgeError if it cannot be had (`errno` says why)."""
        self._sockets = await _listening(self.http)

    async def open(self, app: web.Application, before: WebServer | None = None) -> None:
        """Answer with `app`: at the sockets of the door before if it has the same address, else at its own.

        EdgeError if the address cannot be had (`errno` says why); then the server before it is still open.
        """
        inherits = before is not None and _address(before.http) == _address(self.http)
        if before is not None and inherits:
            self._sockets = before.line
        elif not self._sockets:
            await self.listen()
        self._runner = web.AppRunner(
            app,
            access_log=None,
            handle_signals=False,
            shutdown_timeout=STOP_WITHIN_S,
            keepalive_timeout=KEEP_ALIVE_S,
            logger=self._complaints.logger(),
        )
        await self._runner.setup()
        assert self._runner.server is not None
        if before is not None and inherits:
            before._sockets = []
        for sock in self._sockets:
            self._servers.append(
                await asyncio.get_running_loop().create_server(
                    self._callers.through(self._runner.server, self._inside),
                    sock=sock.dup(),
                    ssl=self._tls,
                    ssl_handshake_timeout=ASK_WITHIN_S if self._tls else None,
                    backlog=WAITING_IN_LINE,
                )
            )

    async def close(self) -> None:
        """Accept no more connections. Open ones stay."""
        loop = asyncio.get_running_loop()
        for server in self._servers:
            for sock in server.sockets:
                loop.remove_reader(sock.fileno())
        # A connection that was accepted in this turn is handed over in the next: a server closed by then would drop it.
        await asyncio.sleep(0)
        for server in self._servers:
            server.close()
        self._servers = []
        for sock in self._sockets:
            sock.close()
        self._sockets = []

    async def end(self, within_s: float = STOP_WITHIN_S) -> None:
        """Accept no more connections, close the idle ones, and give the others this long to be answered."""
        await self.close()
        try:
            if self._runner is not None and self._runner.server is not None:
                self._runner.server.pre_shutdown()
                await self._runner.server.shutdown(within_s)
                await self._runner.cleanup()
        finally:
            self._inside.end()


def _address(http: Http) -> tuple[str, int]:
    return http.host, http.port


def _holder(http: Http, error: OSError) -> str:
    return holder_sentence("tcp", http.port) if error.errno == errno.EADDRINUSE else ""


async def _listening(http: Http) -> list[socket.socket]:
    """Sockets that listen at every address of the host."""
    found: list[socket.socket] = []
    try:
        rows = await asyncio.get_running_loop().getaddrinfo(
            http.host, http.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
        for family, address in dict.fromkeys((row[0], row[4]) for row in rows):
            sock = socket.socket(family, socket.SOCK_STREAM)
            found.append(sock)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6:
                sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            sock.bind(address)
            sock.listen(WAITING_IN_LINE)
            sock.setblocking(False)
    except OSError as error:
        for sock in found:
            sock.close()
        raise EdgeError(
            f"cannot open {http.host}:{http.port} for the page: {error.strerror or error}{_holder(http, error)}",
            "choose another [http] listen, or end what holds it: ss -lntp",
            error.errno,
        ) from error
    return found
