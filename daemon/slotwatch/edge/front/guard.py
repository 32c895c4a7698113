"""Who may do what over HTTP: security headers on every answer, the token and the origin for every change.

Reading is open to whoever reaches the port. A change is allowed
- with the house's token (`Authorization: Bearer …`), compared in constant time; or
- without it where the server listens on loopback alone and the request names a loopback host: a page on another
  site that made a name of its own point at 127.0.0.1 is refused by that.
In both cases a browser must say that the request comes from this page and no other (Origin, Sec-Fetch-Site).
"""

from __future__ import annotations

import asyncio
import hmac
import json
import math
import sys
import traceback

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from slotwatch.edge.front.callers import Callers
from slotwatch.edge.shared.token import is_loopback, read_token
from slotwatch.house.schema import House

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "font-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
LARGEST_BODY_BYTES = 16 * 1024
BODY_WITHIN_S = 10.0
CHANGES = frozenset({"POST", "PUT", "DELETE", "PATCH"})


def fault(status: int, sentence: str, headers: dict[str, str] | None = None) -> web.Response:
    """Answer an error as JSON with one sentence."""
    return web.json_response({"error": sentence}, status=status, headers=headers)


class Refused(Exception):
    """A request that cannot be answered: its status and the sentence that says why."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


class Guard:
    """The rules above for one server."""

    def __init__(self, house: House) -> None:
        self.take_house(house)

    def take_house(self, house: House) -> None:
        """Go by another house's address and token; the token file is read anew."""
        http = house.http
        self.on_loopback = is_loopback(http.host)
        self._token, self.trouble = read_token(house)
        """`trouble`: why nothing can be changed over HTTP, as a sentence; empty if it can."""
        if not http.token_file and not self.on_loopback:
            self.trouble = (
                "The page is reachable from other computers and no token_file is declared: it can be read only."
            )

    def judge(self, request: web.Request) -> web.Response | None:
        """Refuse a change that is not allowed; None lets it through."""
        if request.headers.get("Sec-Fetch-Site", "none") not in ("same-origin", "none"):
            return fault(403, "This change comes from another site's page; use slotwatch's own.")
        origin = request.headers.get("Origin")
        if origin is not None and origin.partition("://")[2] != request.host:
            return fault(403, "This change comes from another site's page; use slotwatch's own.")
        scheme, _, given = request.headers.get("Authorization", "").partition(" ")
        if scheme.lower() == "bearer" and self._token:  # RFC 9110 11.1: the scheme's case says nothing
            if hmac.compare_digest(given.strip().encode("utf-8", "replace"), self._token):
                return None
            return fault(401, "This is not the house's token.", {"WWW-Authenticate": "Bearer"})
        if self.on_loopback and is_loopback(_host_name(request.host)):
            return None
        if not self._token:
            return fault(
                403, self.trouble or "Changes are made from this computer itself: http://localhost, or with a token."
            )
        return fault(401, "This change needs the house's token.", {"WWW-Authenticate": "Bearer"})


def middleware(guard: Guard, callers: Callers) -> Middleware:
    """Make the outermost handler: refuses, and turns every failure into a sentence."""

    @web.middleware
    async def guarded(request: web.Request, handler: Handler) -> web.StreamResponse:
        callers.heard(request.transport)
        if request.method in CHANGES and (refusal := guard.judge(request)) is not None:
            return refusal
        try:
            return await handler(request)
        except Refused as refused:
            return fault(refused.status, str(refused))
        except web.HTTPException as error:
            return _plain(error)
        except (ConnectionError, TimeoutError):
            raise
        except Exception as error:
            # The last line of defence: the page says that it failed, the journal says where.
            traceback.print_exc(file=sys.stderr)
            return fault(500, f"Internal fault: {type(error).__name__}. Its place stands in the journal.")

    return guarded


async def add_headers(_request: web.Request, response: web.StreamResponse) -> None:
    """Put the security headers on an answer about to be sent."""
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
    response.headers.setdefault("Cache-Control", "no-store")
    response.headers.pop("Server", None)


async def body(request: web.Request) -> dict[str, object]:
    """Read a request's JSON object; an empty body is an empty object. Refused with what would be right."""
    if (request.content_length or 0) > LARGEST_BODY_BYTES:
        raise Refused(413, "The body is too large.")
    try:
        async with asyncio.timeout(BODY_WITHIN_S):
            text = await request.read()
    except TimeoutError:
        raise Refused(408, f"The body did not come within {BODY_WITHIN_S:g} s.") from None
    except web.RequestPayloadError:
        raise Refused(400, "The body cannot be read as its Content-Encoding or Transfer-Encoding says.") from None
    if not text.strip():
        return {}
    if request.content_type != "application/json" and not (_is_no_browser(request) and text.lstrip()[:1] == b"{"):
        raise Refused(415, "Send the body as application/json.")
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        raise Refused(400, "The body is not valid JSON.") from None
    if not isinstance(value, dict):
        raise Refused(400, "The body must be a JSON object.")
    return value


def order(given: dict[str, object], **kinds: type) -> dict[str, object]:
    """Give a body whose keys are all known and of their kinds (bool, float, str, object for any). Else refused."""
    names = {bool: "true or false", float: "a number", str: "a text"}
    for name, value in given.items():
        kind = kinds.get(name)
        if kind is None:
            known = ", ".join(f'"{one}"' for one in kinds)
            raise Refused(400, f'"{name[:40]}" is not known here; known: {known}.')
        number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if not (number if kind is float else isinstance(value, kind)):
            raise Refused(400, f'"{name}" must be {names[kind]}.')
    return given


def word(given: dict[str, object], name: str, most: int, *, default: str | None = None) -> str:
    """Take a text out of a body. Refused if it is missing, no text, or longer than `most` characters."""
    value = given.get(name, default)
    if not isinstance(value, str) or (
        default is None and not any(letter.isprintable() and not letter.isspace() for letter in value)
    ):
        raise Refused(400, f'"{name}" must be a text.')
    if len(value) > most:
        raise Refused(400, f'"{name}" is longer than {most} characters.')
    # What cannot be shown or written (control characters, halves of surrogate pairs) becomes a space.
    return " ".join("".join(letter if letter.isprintable() else " " for letter in value).split())


def _is_no_browser(request: web.Request) -> bool:
    """Whether a program sent it that named no type, or the one that curl and Python name where nobody says another.

    A browser names itself with every change (Origin), and no form of its own can make this type's body be JSON.
    """
    unnamed = request.content_type in ("application/x-www-form-urlencoded", "application/octet-stream")
    return unnamed and not {"Origin", "Sec-Fetch-Site", "Referer"} & {*request.headers}


def _host_name(host: str) -> str:
    """The host of a Host header, without its port."""
    if host.startswith("["):
        return host.partition("]")[0].lstrip("[")
    return host.rpartition(":")[0] if ":" in host else host


def _plain(error: web.HTTPException) -> web.StreamResponse:
    if error.status < 400:
        return error
    sentences = {
        404: "There is nothing at this address.",
        405: "This address does not take that method.",
        413: "The body is too large.",
    }
    allow = error.headers.get("Allow")
    return fault(error.status, sentences.get(error.status, error.reason + "."), {"Allow": allow} if allow else None)
