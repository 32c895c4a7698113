"""`slotwatch ready`: asks a running daemon whether the house is ready, and prints one line."""

from __future__ import annotations

import argparse
import json
import ssl
import urllib.error
import urllib.request

from slotwatch.edge.shared.files import load_house
from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.token import read_token
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House
from slotwatch.views.ready import read_report, ready_text

DEFAULT_URL = "http://127.0.0.1:8580"
ANSWER_WITHIN_S = 5.0
LARGEST_ANSWER_BYTES = 4 << 20
NOT_READY = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--url", help=f"address of the daemon's page (default: {DEFAULT_URL}, or the house file's)")
    parser.add_argument("-c", "--config", metavar="HOUSE.toml", help="house file to take the address from")
    parser.add_argument("--ca", metavar="FILE", help="certificate that the daemon's own is checked against (PEM)")
    parser.add_argument("--json", action="store_true", help="print the answer as it came")


def run(arguments: argparse.Namespace) -> int:
    """Ask, and print the answer. 0: ready, 1: not ready. EdgeError if no daemon answers."""
    house = load_house(arguments.config) if arguments.config else None
    url = (arguments.url or (url_of(house) if house else DEFAULT_URL)).rstrip("/")
    ca = arguments.ca or (house and house.http.certificate_file and str(read_place(house, house.http.certificate_file)))
    token = read_token(house)[0] if house else b""
    text = ask(url, ca or None, token)
    try:
        report = read_report(text)
    except ValueError:
        raise EdgeError(f"{url} is not a slotwatch daemon", "give the address of its page with --url") from None
    if arguments.json:
        print(json.dumps(json.loads(text), indent=2, ensure_ascii=False))
    else:
        print(ready_text(report))
    return 0 if report.ready else NOT_READY


def ask(url: str, ca_file: str | None = None, token: bytes = b"") -> bytes:
    """Get the daemon's readiness as JSON. EdgeError with advice if there is no answer."""
    if not url.startswith(("http://", "https://")):
        raise EdgeError(f"{url} is no address", f"give --url as {DEFAULT_URL}")
    try:
        context = ssl.create_default_context(cafile=ca_file) if url.startswith("https:") else None
        # No proxy: the daemon is on this computer or on this network.
        opener = urllib.request.build_opener(
            urllib.request.ProxyHandler({}), *([urllib.request.HTTPSHandler(context=context)] if context else [])
        )
        given = {"Authorization": f"Bearer {token.decode('latin-1')}"} if token else {}
        request = urllib.request.Request(f"{url}/api/v1/readiness", headers=given)
        with opener.open(request, timeout=ANSWER_WITHIN_S) as response:
            return bytes(response.read(LARGEST_ANSWER_BYTES))
    except urllib.error.HTTPError as error:
        with error:
            raise EdgeError(
                f"{url} answered {error.code}: {_error_of(error.read(10_000))}",
                "give the house file with -c, so that its token is known" if error.code == 401 else "try again shortly",
            ) from None
    except (urllib.error.URLError, OSError, ValueError) as error:
        reason = getattr(error, "reason", None) or error
        raise EdgeError(
            f"no daemon answers at {url} ({_words(reason)})", "start it: slotwatch serve -c HOUSE.toml"
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


def _words(reason: object) -> str:
    if isinstance(reason, TimeoutError):
        return f"no answer within {ANSWER_WITHIN_S:.0f} s"
    return (reason.strerror if isinstance(reason, OSError) and reason.strerror else str(reason)) or type(
        reason
    ).__name__
