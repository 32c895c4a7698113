"""Why a request to another computer failed, in words without its address, which may be a secret."""

from __future__ import annotations

import os

import aiohttp


def why_unreachable(error: Exception) -> str:
    """Say why the other end was not reached, as the end of a sentence. The library's own words contain the address."""
    if isinstance(error, aiohttp.ClientConnectorCertificateError):
        return "its certificate is not trusted"
    number = error.errno if isinstance(error, OSError) else None
    return f"it cannot be reached ({os.strerror(number) if number else type(error).__name__})"
