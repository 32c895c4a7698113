"""Another computer's answer to a request of this one, with a bound on the interim answers before it.

The library reads as many of them (RFC 9110 15.2) as are sent, and lets nothing else run meanwhile: a server that sends
100 Continue for ever would hold up the whole page.
"""

from __future__ import annotations

import aiohttp
from aiohttp.connector import Connection
from aiohttp.http_parser import RawResponseMessage
from aiohttp.streams import StreamReader

MOST_INTERIM = 16
"""A server sends one or two: 100 Continue, 103 Early Hints."""


class EndlessInterim(aiohttp.ClientError):
    """The other end sent more than MOST_INTERIM interim answers."""


class BoundedAnswer(aiohttp.ClientResponse):
    """The `response_class` of a session. EndlessInterim from a request whose answer is beyond the bound."""

    async def start(self, connection: Connection) -> aiohttp.ClientResponse:
        protocol = connection.protocol
        if protocol is None:
            return await super().start(connection)
        read, left = protocol.read, MOST_INTERIM + 1

        async def read_one() -> tuple[RawResponseMessage, StreamReader]:
            nonlocal left
            if not left:
                raise EndlessInterim
            left -= 1
            return await read()

        protocol.read = read_one  # type: ignore[method-assign]  # the class has no other place for a bound
        try:
            return await super().start(connection)
        finally:
            del protocol.read
