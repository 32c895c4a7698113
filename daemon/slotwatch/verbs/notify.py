"""Sends a marked test to the recipients of messages, and prints the result.

The running daemon sends it, through the queue that its messages take. Where none runs, it is sent from here.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import socket
import sys

from slotwatch.edge.front.notifications import TEST_WITHIN_S, page_address, send_test
from slotwatch.edge.shared.files import load_house
from slotwatch.edge.tools.daemon_client import DaemonClient, NoDaemonError
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House

DID_NOT_ARRIVE = 1
DAEMON_WITHIN_S = TEST_WITHIN_S + 10


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--test", nargs="?", const="", metavar="NAME", required=True, help="send a test, to all or to this recipient"
    )
    parser.add_argument(
        "-c", "--config", required=True, metavar="HOUSE.toml", help="the house file that names the recipients"
    )
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(arguments: argparse.Namespace) -> int:
    """0 all took it, 1 one did not. EdgeError if no recipient is declared."""
    house = load_house(arguments.config)
    names = _names(house, arguments.test)
    try:
        asked = {"name": arguments.test} if arguments.test else {}
        text = DaemonClient.of_house(house).ask("/api/v1/notifications/test", asked, DAEMON_WITHIN_S)
        found = {str(one["name"]): str(one["text"]) for one in json.loads(text)}
    except NoDaemonError as error:
        print(f"slotwatch: {error}: so this command sends the test itself, without the daemon's queue", file=sys.stderr)
        found = _send_from_here(house, names)
    if arguments.json:
        print(json.dumps([{"name": n, "sent": not why, "text": why} for n, why in found.items()], ensure_ascii=False))
    else:
        for name, why in found.items():
            print(f"{name}: not sent: {why}." if why else f"{name}: sent; check whether it arrived.")
    return DID_NOT_ARRIVE if any(found.values()) else 0


def _send_from_here(house: House, names: list[str]) -> dict[str, str]:
    """Send without a daemon; why not, by name, empty where it was taken."""
    page = page_address(house, socket.gethostname())

    async def send() -> list[str]:
        return list(await asyncio.gather(*(send_test(house, page, name) for name in names)))

    return dict(zip(names, asyncio.run(send()), strict=True))


def _names(house: House, asked: str) -> list[str]:
    known = [one.name for one in house.notice_recipients]
    if not known:
        raise EdgeError(
            "the house file declares no recipient of messages",
            "add a [[notify]] or [[webhooks]] table; see docs/alerts.md",
        )
    if asked and asked not in known:
        raise EdgeError(f"there is no recipient {asked!r}", f"known: {', '.join(known)}")
    return [asked] if asked else known
