"""`serve`: the daemon, until SIGTERM or SIGINT."""

from __future__ import annotations

import argparse

DEFAULT_ROWS = 65_536
"""As `edge.ring` has it; not imported from there, to keep the supervising process small."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-c", "--config", metavar="HOUSE.toml", required=True, help="the house file")
    parser.add_argument(
        "--ring-rows",
        metavar="N",
        type=_power_of_two,
        default=DEFAULT_ROWS,
        help="packets held between receiving and judging, a power of two (default %(default)s: "
        "0.37 s of a full gigabit, 85 MiB)",
    )


def run(arguments: argparse.Namespace) -> int:
    from slotwatch.app import App

    App(arguments.config, arguments.ring_rows).run()
    return 0


def _power_of_two(text: str) -> int:
    number = int(text)
    if number < 4096 or number & (number - 1):
        raise argparse.ArgumentTypeError(f"{text} is not a power of two of at least 4096")
    return number
