"""`slotwatch backup`: the house file, what it names and the history as one file, also while the daemon runs."""

from __future__ import annotations

import argparse
from pathlib import Path

from slotwatch.edge.tools.keeping import backup
from slotwatch.errors import EdgeError

SERVICE_HOUSE = Path("/etc/slotwatch/house.toml")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("file", metavar="FILE", help="the backup to write; an earlier backup of that name is replaced")
    parser.add_argument("-c", "--config", metavar="HOUSE.toml", help=f"house file. Left out: {SERVICE_HOUSE}")


def run(arguments: argparse.Namespace) -> int:
    """Write it and say what it holds. 0 when it is whole and on the disk."""
    house = Path(arguments.config) if arguments.config else SERVICE_HOUSE
    if not arguments.config and not house.is_file():
        raise EdgeError(f"there is no {house}", "name the house file with -c")
    kept = backup(house, Path(arguments.file))
    print(f"{arguments.file} holds: {', '.join(kept.files)}")
    if kept.left_out:
        print(f"left out: {', '.join(kept.left_out)}")
    print("Secrets (token, keys, passwords, addresses of messages) are not in it: keep those files yourself.")
    return 0
