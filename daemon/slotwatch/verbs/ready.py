"""The half-hour call: asks a running daemon whether the house is ready, and says it in one line."""

from __future__ import annotations

import argparse
import json
import ssl
import sys
import urllib.error
import urllib.request
from typing import Any

from slotwatch.edge.shared.files import load_house
from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.token import read_token
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House

DEFAULT_URL = "http://127.0.0.1:8580"
ANSWER_WITHIN_S = 5.0
LARGEST_ANSWER_BYTES = 4 << 20
MOST_REASONS = 12
MOST_NAMES = 12
NOT_READY = 1
SCOPE = "Data only; no safety or emergency-lighting check."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--url", help=f"address of the daemon's page (default: {DEFAULT_URL}, or the house file's)")
    parser.add_argument("-c", "--config", metavar="HOUSE.toml", help="house file to take the address from")
    parser.add_argument("--ca", metavar="FILE", help="certificate that the daemon's own is checked against (PEM)")
    parser.add_argument("--json", action="store_true", help="print the answer as it came")


def run(arguments: argparse.Namespace) -> int:
    """Ask and say. 0 ready, 1 not ready; EdgeError if no daemon answers."""
    house = load_house(arguments.config) if arguments.config else None
    url = (arguments.url or (url_of(house) if house else DEFAULT_URL)).rstrip("/")
    ca = arguments.ca or (house and house.http.certificate_file and str(read_place(house, house.http.certificate_file)))
    token = read_token(house)[0] if house else b""
    answer = ask(url, ca or None, token)
    if arguments.json:
        json.dump(answer, sys.stdout, indent=2, ensure_ascii=False)
        print()
    else:
        print(sentence(answer))
    return 0 if answer["ready"] else NOT_READY


def sentence(answer: dict[str, Any]) -> str:
    """Say the whole call in one line: ready or not, why not, what cannot be known here, what is not checked."""
    reasons = [" ".join(str(reason["text"]).split()).rstrip(".") for reason in answer["reasons"]]
    where = ", ".join(str(part) for part in (answer.get("house"), _phase(answer)) if part)
    parts = ["Ready" if answer["ready"] else "Not ready", f" ({where})" if where else ""]
    if reasons:
        more = f"; and {len(reasons) - MOST_REASONS} more" if len(reasons) > MOST_REASONS else ""
        parts.append(": " + "; ".join(reasons[:MOST_REASONS]) + more)
    parts.append(".")
    accepted = [str(one.get("reason") or one.get("text")) for one in answer["accepted"]]
    if accepted:
        parts.append(f" Accepted: {'; '.join(accepted[:MOST_REASONS])}.")
    for key, words in (("not_visible", "Not visible from here"), ("not_judged", "Not judged now")):
        names = [str(name) for name in answer.get(key, [])]
        if names:
            more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
            parts.append(f" {words}, so not known: {', '.join(names[:MOST_NAMES])}{more}.")
    parts.append(f" {SCOPE}")
    return "".join(parts)


def ask(url: str, ca_file: str | None = None, token: bytes = b"") -> dict[str, Any]:
    """Get the daemon's readiness. EdgeError with the mend if it cannot be had."""
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
            text = response.read(LARGEST_ANSWER_BYTES)
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
    try:
        answer = json.loads(text)
        wanted = {"ready": bool, "reasons": list, "accepted": list, "not_visible": list}
        if not isinstance(answer, dict) or any(not isinstance(answer.get(key), kind) for key, kind in wanted.items()):
            raise ValueError("no readiness")
    except ValueError:
        raise EdgeError(f"{url} is not a slotwatch daemon", "give the address of its page with --url") from None
    return answer


def url_of(house: House) -> str:
    scheme = "https" if house.http.certificate_file else "http"
    host = {"0.0.0.0": "127.0.0.1", "::": "::1", "": "127.0.0.1"}.get(house.http.host, house.http.host)
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{house.http.port}"


def _phase(answer: dict[str, Any]) -> str:
    phase = answer.get("phase")
    return f"phase {phase}, judged as if in show" if phase and phase != "show" else "phase show" if phase else ""


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
