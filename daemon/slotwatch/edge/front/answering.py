"""Reads the values of a request's query, and writes its answer as JSON."""

from __future__ import annotations

import msgspec
import numpy as np
from aiohttp import web

from slotwatch.edge.front.guard import Refused
from slotwatch.views.moments import read_iso

SMALL_BYTES = 1024
"""Answers under this are not worth compressing."""


def answer(value: object, status: int = 200) -> web.Response:
    """Send a value as JSON. Compress it if it is large."""
    body = msgspec.json.encode(value, enc_hook=of_numpy)
    response = web.Response(body=body, status=status, content_type="application/json", charset="utf-8")
    if len(body) > SMALL_BYTES:
        response.enable_compression()
    return response


def of_numpy(value: object) -> object:
    """Return the Python number of a numpy scalar. TypeError for anything else that JSON has no form for."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"JSON has no form for {type(value).__name__}")


def moment_of(request: web.Request, name: str) -> int | None:
    """A time of the query, as wall-clock ns; None where it is not given."""
    text = request.query.get(name)
    if not text:
        return None
    try:
        # The plus sign of a time zone arrives as a space if the client did not escape it.
        return read_iso(text.replace(" ", "+") if "T" in text else text)
    except (ValueError, OverflowError) as error:
        raise Refused(400, f'"{name}": {error}.') from None


def number_of(request: web.Request, name: str, otherwise: float, most: float) -> float:
    """A number of the query over 0, at most `most`; `otherwise` where it is not given."""
    text = request.query.get(name)
    if text is None:
        return otherwise
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 < value <= most:
        raise Refused(400, f'"{name}" must be a number over 0, at most {most:g}.')
    return value
