"""Why a request to another computer failed, in words without its address, which may be a secret."""

from __future__ import annotations

import os

import aiohttp

from slotwatch.edge.front.bounded_answer import EndlessInterim
from slotwatch.printable import LONGEST_REASON, reason_of


def why_unreachable(error: Exception) -> str:
    """Say why the other end was not reached, as the end of a sentence. The library's own words contain the address."""
    if isinstance(error, aiohttp.ClientConnectorCertificateError):
        return "its certificate is not trusted"
    if isinstance(error, EndlessInterim):
        return "it sends interim answers (100 Continue) and no answer"
    if isinstance(error, aiohttp.ServerDisconnectedError):
        return "it closed the connection without an answer"
    if isinstance(error, aiohttp.ClientResponseError):
        return "its answer is not understood"
    number = error.errno if isinstance(error, OSError) else None
    return f"it cannot be reached ({os.strerror(number) if number else type(error).__name__})"


async def why_refused(response: aiohttp.ClientResponse) -> str:
    """Say what the other end answered instead of taking what was sent, as the end of a sentence."""
    printed = ""
    if response.content_type != "text/html":  # a page is for browsers; its first line is no reason
        printed = reason_of((await response.content.read(LONGEST_REASON)).decode("utf-8", "replace"))
    return f"it answered {response.status}" + (f": {printed}" if printed else "")
