"""Asks a running daemon on behalf of a verb of the command line, over its HTTP API."""

from __future__ import annotations

import json
import ssl
import urllib.error
import urllib.request
from dataclasses import dataclass

from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.token import read_token
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House

DEFAULT_URL = "http://127.0.0.1:8580"
ANSWER_WITHIN_S = 5.0
LARGEST_ANSWER_BYTES = 4 << 20


class NoDaemonError(EdgeError):
    """Nothing answers at that address."""


@dataclass(frozen=True, slots=True)
class DaemonClient:
    """One daemon's address, what its certificate is checked against, and its token."""

    url: str
    ca_file: str = ""
    token: bytes = b""

    @classmethod
    def of_house(cls, house: House) -> DaemonClient:
        """The daemon of this house, as this computer reaches it."""
        certificate = house.http.certificate_file
        return cls(url_of(house), str(read_place(house, certificate)) if certificate else "", read_token(house)[0])

    def ask(self, path: str, body: object = None, within_s: float = ANSWER_WITHIN_S) -> bytes:
        """Get an answer; with a body, POST it as JSON. NoDaemonError if nothing answers, EdgeError if it is refused."""
        if not self.url.startswith(("http://", "https://")):
            raise EdgeError(f"{self.url} is not an address", f"give --url as {DEFAULT_URL}")
        try:
            context = ssl.create_default_context(cafile=self.ca_file or None) if self.url[:6] == "https:" else None
            # No proxy: the daemon is on this computer or on this network.
            opener = urllib.request.build_opener(
                urllib.request.ProxyHandler({}), *([urllib.request.HTTPSHandler(context=context)] if context else [])
            )
            headers = {"Authorization": f"Bearer {self.token.decode('latin-1')}"} if self.token else {}
            data = None
            if body is not None:
                data = json.dumps(body).encode()
                headers["Content-Type"] = "application/json"
            request = urllib.request.Request(self.url + path, data, headers)
            with opener.open(request, timeout=within_s) as response:
                return bytes(response.read(LARGEST_ANSWER_BYTES))
        except urllib.error.HTTPError as error:
            with error:
                raise EdgeError(
                    f"{self.url} answered {error.code}: {_error_of(error.read(10_000))}",
                    "give the house file with -c, so that its token is known"
                    if error.code == 401
                    else "try again shortly",
                ) from None
        except (urllib.error.URLError, OSError, ValueError) as error:
            reason = getattr(error, "reason", None) or error
            raise NoDaemonError(
                f"no daemon answers at {self.url} ({say_why(reason, within_s)})",
                "start it: slotwatch serve -c HOUSE.toml",
            ) from None


def url_of(house: House) -> str:
    """Return the address of a house's page as this computer reaches it."""
    scheme = "https" if house.http.certificate_file else "http"
    host = {"0.0.0.0": "127.0.0.1", "::": "::1", "": "127.0.0.1"}.get(house.http.host, house.http.host)
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{house.http.port}"


def _error_of(text: bytes) -> str:
    try:
        return str(json.loads(text)["error"]).rstrip(".")
    except (ValueError, KeyError, TypeError):
        return "no reason given"


def say_why(reason: object, within_s: float) -> str:
    if isinstance(reason, TimeoutError):
        return f"no answer within {within_s:.0f} s"
    return (reason.strerror if isinstance(reason, OSError) and reason.strerror else str(reason)) or type(
        reason
    ).__name__
