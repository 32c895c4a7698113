"""`slotwatch restore`: puts a backup back while the daemon does not run."""

from __future__ import annotations

import argparse
from pathlib import Path

from slotwatch.edge.tools.keeping import restore


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("file", metavar="FILE", help="a file that slotwatch backup wrote")
    parser.add_argument(
        "-c",
        "--config",
        metavar="HOUSE.toml",
        help="where to put the house file. Left out: where it was when the backup was made",
    )


def run(arguments: argparse.Namespace) -> int:
    """Put it back and say where. What was there and differs is kept under another name."""
    kept = restore(Path(arguments.file), Path(arguments.config) if arguments.config else None)
    for name in kept.files:
        print(f"restored: {name}")
    for name in kept.moved:
        print(f"kept what was there, as: {name}")
    return 0
