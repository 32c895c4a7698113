"""Who may do what over HTTP: security headers on every answer, the name that is asked for, the token, the origin.

Every request must name this computer as its Host: an address, a loopback name, the computer's own name, or one of
`[http] hosts`. A page on another site that made a name of its own point here is refused by that (DNS rebinding).

Reading is open to whoever reaches the port, unless the house file says `[http] read = "token"`. A change is allowed
- with the house's token (`Authorization: Bearer …`), compared in constant time. Where a token is declared it is always
  asked for, whatever address or name the request came by; or
- without one where none is declared, the server listens on loopback alone, the request comes from this computer
  and not through a proxy (no forwarding header), and it names a loopback host.
In both cases a browser must say that the request comes from this page and no other (Origin, Sec-Fetch-Site).
Who sends wrong tokens waits longer and longer, by address.

With `read = "token"` a browser asks for the token itself: any name, and the token as the password (RFC 7617).
Only reading takes it that way, since a browser sends it along by itself.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import math
import re
import socket
import sys
import traceback
from base64 import b64decode
from ipaddress import ip_address
from pathlib import Path

from aiohttp import web
from aiohttp.typedefs import Handler, LooseHeaders, Middleware
from multidict import CIMultiDict

from slotwatch import clock
from slotwatch.edge.front.attempts import WrongTokens
from slotwatch.edge.front.callers import Callers, address_of
from slotwatch.edge.front.complaints import Complaints
from slotwatch.edge.front.turnstile import Turnstile
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
OPEN_TO_ALL = frozenset({"/healthz", "/readyz"})
"""Paths that say nothing about the house: answered for any host name, and without a token."""
_FORWARDED = re.compile(
    r"forwarded|via|x[-_]forwarded.*|x[-_]original[-_].*|x[-_]real[-_]ip|cf[-_]connecting[-_]ip|(.*[-_])?client[-_]ip",
    re.IGNORECASE,
)
"""A proxy adds headers of these names. Then the address of the peer does not say who asks (RFC 7239; the others by
common practice, with `_` for `-` in some programs)."""
_HOST = re.compile(r"(?:\[([^\[\]]*)\]|([^:/@\[\]]*))(?::[0-9]*)?")
"""A name or an address, perhaps with a port (RFC 3986 3.2.2 and 3.2.3); never with a user before it."""
CHALLENGE = ("WWW-Authenticate", "Bearer")
CHALLENGE_OF_BROWSER = ("WWW-Authenticate", 'Basic realm="slotwatch", charset="UTF-8"')


def fault(status: int, sentence: str, headers: LooseHeaders | None = None) -> web.Response:
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
        self.wrong_tokens = WrongTokens()
        self.take_house(house)

    def take_house(self, house: House) -> None:
        """Go by another house's address and token; the token file is read again."""
        http = house.http
        self.on_loopback = is_loopback(http.host)
        self._is_declared = bool(http.token_file)
        self._reads_with_token = http.read == "token"
        own = {socket.gethostname(), socket.gethostname() + ".local", http.host}
        self._hosts = frozenset(name.lower().rstrip(".") for name in (*own, *http.hosts))
        self._token, self.trouble = read_token(house)
        """`trouble`: why nothing can be changed over HTTP, as a sentence; empty if it can."""
        if not http.token_file and not self.on_loopback:
            self.trouble = "The page is reachable from other computers and no token_file is declared: it is read-only."

    def judge(self, request: web.Request, now_ns: int) -> web.Response | None:
        """Refuse what is not allowed; None lets it through."""
        if request.path in OPEN_TO_ALL:
            return None
        # A target that names a host counts instead of the header (RFC 9112 3.2.2); neither may be a stranger's.
        host = _host_of(request)
        if not all(map(self._is_own_name, {request.headers.get("Host", host), host})):
            return fault(403, "This name is not one of the page's names; if it is right, list it in [http] hosts.")
        return self._judge_change(request, now_ns) if request.method in CHANGES else self._judge_read(request, now_ns)

    def _judge_change(self, request: web.Request, now_ns: int) -> web.Response | None:
        if request.headers.get("Sec-Fetch-Site", "none") not in ("same-origin", "none"):
            return fault(403, "This change comes from another site's page; use slotwatch's own.")
        origin = request.headers.get("Origin")
        if origin is not None and origin.partition("://")[2] != _host_of(request):
            return fault(403, "This change comes from another site's page; use slotwatch's own.")
        if self._token:
            return self._judge_token(request, _bearer(request), "This change needs the house's token.", now_ns)
        if self._is_declared or not self.on_loopback:
            return fault(403, self.trouble)
        is_local = is_loopback(address_of(request.transport)) and not any(map(_FORWARDED.fullmatch, request.headers))
        if is_local and is_loopback(_host_name(_host_of(request))):
            return None
        return fault(403, "Changes need a token, or are made on this computer itself at http://localhost.")

    def _judge_read(self, request: web.Request, now_ns: int) -> web.Response | None:
        if not self._reads_with_token:
            return None
        if not self._token:
            return fault(403, self.trouble or "Reading needs a token, and no token_file is declared.")
        given = _bearer(request)
        return self._judge_token(
            request, _basic(request) if given is None else given, "Reading needs the house's token.", now_ns, reads=True
        )

    def _judge_token(
        self, request: web.Request, given: bytes | None, wanted: str, now_ns: int, *, reads: bool = False
    ) -> web.Response | None:
        challenges = [CHALLENGE, *([CHALLENGE_OF_BROWSER] if reads else [])]
        if given is None:
            return fault(401, wanted, CIMultiDict(challenges))
        address = address_of(request.transport)
        if wait_ns := self.wrong_tokens.wait_ns(address, now_ns):
            wait_s = math.ceil(wait_ns / 1e9)
            sentence = f"Too many wrong tokens came from this address; try again in {wait_s} s."
            return fault(429, sentence, {"Retry-After": str(wait_s)})
        if hmac.compare_digest(given, self._token):
            self.wrong_tokens.note_right(address)
            return None
        self.wrong_tokens.note_wrong(address, now_ns)
        return fault(401, "This is not the house's token.", CIMultiDict(challenges))

    def _is_own_name(self, host: str) -> bool:
        name = _host_name(host)
        return name in self._hosts or is_loopback(name) or _is_address(name)


def middleware(guard: Guard, callers: Callers, complaints: Complaints) -> Middleware:
    """Make the outermost handler: refuses, and turns every failure into a sentence."""
    # A local probe waits for other probes only.
    probes, others = Turnstile(), Turnstile()

    @web.middleware
    async def guarded(request: web.Request, handler: Handler) -> web.StreamResponse:
        callers.heard(request.transport)
        is_probe = request.path in OPEN_TO_ALL and is_loopback(address_of(request.transport))
        await (probes if is_probe else others).enter()
        if (refusal := guard.judge(request, clock.monotonic_ns())) is not None:
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
            place = traceback.extract_tb(error.__traceback__)[-1]
            kind = f"{type(error).__name__} in {place.name} of {Path(place.filename).name}, line {place.lineno}"
            if complaints.say(kind, f"Answering {request.method} {request.path[:40]} failed: {kind}."):
                traceback.print_exc(file=sys.stderr)
            return fault(500, f"Internal fault: {type(error).__name__}. The journal holds the details.")

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
        raise Refused(400, "The body does not match its Content-Encoding or Transfer-Encoding.") from None
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
        if not (_is_number(value) if kind is float else isinstance(value, kind)):
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


def _is_number(value: object) -> bool:
    """Whether it is a number that a float can hold."""
    try:
        return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    except OverflowError:  # a whole number of more than 308 digits
        return False


def _bearer(request: web.Request) -> bytes | None:
    """The token that a request gives; None if it gives none."""
    scheme, _, given = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer":  # RFC 9110 11.1: the scheme's case says nothing
        return None
    return given.strip().encode("utf-8", "replace")


def _basic(request: web.Request) -> bytes | None:
    """The token as a browser gives it, as the password of any name (RFC 7617)."""
    scheme, _, given = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "basic":
        return None
    try:
        return b64decode(given.strip(), validate=True).partition(b":")[2]
    except ValueError:
        return b""


def _is_address(name: str) -> bool:
    """Whether it is an IP address: unlike a name, it cannot be made to point elsewhere."""
    try:
        ip_address(name.partition("%")[0])
    except ValueError:
        return False
    return True


def _is_no_browser(request: web.Request) -> bool:
    """Whether a program sent it that named no type, or the default one of curl and Python.

    A browser names itself with every change (Origin), and no form of its own can make this type's body be JSON.
    """
    unnamed = request.content_type in ("application/x-www-form-urlencoded", "application/octet-stream")
    return unnamed and not {"Origin", "Sec-Fetch-Site", "Referer"} & {*request.headers}


def _host_of(request: web.Request) -> str:
    """The host that a request asks for. Where it names none (HTTP/1.0 may), the address that it came in at.

    aiohttp below 3.14 asks the resolver for this computer's name then, and everything waits for the answer.
    """
    if "Host" in request.headers:
        return request.host
    name = None if request.transport is None else request.transport.get_extra_info("sockname")
    if not request.raw_path.startswith("/") or not isinstance(name, tuple):
        return ""
    return f"[{name[0]}]" if ":" in name[0] else str(name[0])


def _host_name(host: str) -> str:
    """The host of a Host header, without its port; empty if it is none."""
    found = _HOST.fullmatch(host)
    return (found[1] or found[2] or "").lower().rstrip(".") if found else ""


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
