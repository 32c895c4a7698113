"""`slotwatch ready`: asks a running daemon whether the house is ready, and prints one line."""

from __future__ import annotations

import argparse
import json

from slotwatch.edge.shared.files import load_house
from slotwatch.edge.shared.places import read_place
from slotwatch.edge.shared.token import read_token
from slotwatch.edge.tools.daemon_client import DEFAULT_URL, DaemonClient, url_of
from slotwatch.errors import EdgeError
from slotwatch.views.ready import read_report, ready_text

NOT_READY = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--url", help=f"address of the daemon's page (default: {DEFAULT_URL}, or the house file's)")
    parser.add_argument("-c", "--config", metavar="HOUSE.toml", help="house file to take the address from")
    parser.add_argument("--ca", metavar="FILE", help="certificate (PEM) to check the daemon's certificate against")
    parser.add_argument("--json", action="store_true", help="print the daemon's answer as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Ask, and print the answer. 0: ready, 1: not ready. EdgeError if no daemon answers."""
    house = load_house(arguments.config) if arguments.config else None
    url = (arguments.url or (url_of(house) if house else DEFAULT_URL)).rstrip("/")
    ca = arguments.ca or (house and house.http.certificate_file and str(read_place(house, house.http.certificate_file)))
    token = read_token(house)[0] if house else b""
    text = DaemonClient(url, ca or "", token).ask("/api/v1/readiness")
    try:
        report = read_report(text)
    except ValueError:
        raise EdgeError(f"{url} is not a slotwatch daemon", "give the address of its page with --url") from None
    if arguments.json:
        print(json.dumps(json.loads(text), indent=2, ensure_ascii=False))
    else:
        print(ready_text(report))
    return 0 if report.ready else NOT_READY
