"""Sends a marked test to those who get messages about incidents, and says what came back."""

from __future__ import annotations

import argparse
import asyncio
import json
import socket

from slotwatch.edge.front.notifications import page_address, send_test
from slotwatch.edge.shared.files import load_house
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House

DID_NOT_ARRIVE = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "--test", nargs="?", const="", metavar="NAME", required=True, help="send a test, to all or to this receiver"
    )
    parser.add_argument("-c", "--config", required=True, metavar="HOUSE.toml", help="the house file that names them")
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(arguments: argparse.Namespace) -> int:
    """0 all took it, 1 one did not. EdgeError if there is nobody to send to."""
    house = load_house(arguments.config)
    names = _names(house, arguments.test)
    page = page_address(house, socket.gethostname())

    async def send() -> list[str]:
        return list(await asyncio.gather(*(send_test(house, page, name) for name in names)))

    reasons = asyncio.run(send())
    found = dict(zip(names, reasons, strict=True))
    if arguments.json:
        print(json.dumps([{"name": n, "sent": not why, "text": why} for n, why in found.items()], ensure_ascii=False))
    else:
        for name, why in found.items():
            print(f"{name}: not sent: {why}." if why else f"{name}: sent; look whether it arrived.")
    return DID_NOT_ARRIVE if any(reasons) else 0


def _names(house: House, asked: str) -> list[str]:
    known = [one.name for one in house.notice_receivers]
    if not known:
        raise EdgeError(
            "the house file names nobody who gets messages",
            "add a [[notify]] or [[webhooks]] table; see docs/alerts.md",
        )
    if asked and asked not in known:
        raise EdgeError(f"there is no receiver {asked!r}", f"known: {', '.join(known)}")
    return [asked] if asked else known
