"""`serve`: the daemon, until SIGTERM or SIGINT."""

from __future__ import annotations

import argparse
import os
import resource
from pathlib import Path
from typing import Any

from slotwatch.errors import EdgeError
from slotwatch.verbs.universe_ranges import universes

DEFAULT_ROWS = 131_072
"""Where judging keeps up hardly any of it is ever real memory, for intake rewinds (`edge.shared.ring`)."""

LEAST_FILES = 64
"""Open files that a process needs: the page's has 56 beside its connections (`edge.front.callers`)."""
USUAL_FILES = 1024
"""What systems give a process."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-c", "--config", metavar="HOUSE.toml", help="the house file")
    parser.add_argument(
        "--interface",
        action="append",
        default=[],
        metavar="NAME",
        help="without a house file: network to listen on; may be repeated. Nothing is declared then",
    )
    parser.add_argument(
        "--universes",
        type=universes,
        default=(),
        metavar="1-64",
        help="without a house file: E1.31 universes to join in addition to those that discovery lists name",
    )
    parser.add_argument(
        "--page",
        type=_address,
        default=None,
        metavar="HOST:PORT",
        help="without a house file: where the page listens (default 127.0.0.1:8580)",
    )
    parser.add_argument("--state", metavar="DIR", help="without a house file: directory that keeps the history")
    parser.add_argument("--e131-port", type=int, default=5568, help=argparse.SUPPRESS)
    parser.add_argument("--artnet-port", type=int, default=6454, help=argparse.SUPPRESS)
    parser.add_argument(
        "--ring-rows",
        metavar="N",
        type=_power_of_two,
        default=DEFAULT_ROWS,
        help="packets held between receiving and judging, a power of two (default %(default)s: "
        "0.74 s of a full gigabit; 86 MiB, but only while judging is that far behind)",
    )


def run(arguments: argparse.Namespace) -> int:
    from slotwatch.app import App
    from slotwatch.edge.shared.log_stream import log_streams

    _have_files()
    if arguments.config:
        given = [name for name in ("interface", "universes", "page", "state") if getattr(arguments, name)]
        if given:
            raise EdgeError(
                f"-c and --{given[0]} cannot be used together", "leave one out: the house file has this setting"
            )
        with log_streams():
            App(arguments.config, arguments.ring_rows).run()
        return 0
    if not arguments.interface:
        raise EdgeError("neither a house file nor a network is named", "give -c HOUSE.toml, or --interface NAME")
    file = _state_directory(arguments.state) / "undeclared"
    undeclared: dict[str, Any] = {
        "interfaces": list(dict.fromkeys(arguments.interface)),
        "universes": list(arguments.universes),
        "page": list(arguments.page or ("127.0.0.1", 8580)),
        "ports": [arguments.e131_port, arguments.artnet_port],
    }
    with log_streams():
        App(str(file), arguments.ring_rows, undeclared).run()
    return 0


def _have_files() -> None:
    """Raise this process's limit of open files where it is too low and it may. EdgeError where it may not."""
    files, most = (1 << 62 if n == resource.RLIM_INFINITY else n for n in resource.getrlimit(resource.RLIMIT_NOFILE))
    if files >= LEAST_FILES:
        return
    if most < LEAST_FILES:
        raise EdgeError(
            f"only {most} files may be open at once, and each process of slotwatch needs {LEAST_FILES}",
            f"raise the limit: ulimit -n {USUAL_FILES}, or LimitNOFILE={USUAL_FILES} in its systemd unit",
        )
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(most, USUAL_FILES), resource.getrlimit(resource.RLIMIT_NOFILE)[1]))


def _state_directory(named: str | None) -> Path:
    """Return the directory that keeps the history, made if need be. EdgeError where it cannot be written."""
    home = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    given = named or os.environ.get("STATE_DIRECTORY", "").partition(":")[0]
    place = Path(given).absolute() if given else Path(home) / "slotwatch"
    try:
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise EdgeError(f"{place} cannot be made: {error.strerror}", "name another directory with --state") from None
    if not os.access(place, os.W_OK | os.X_OK):
        raise EdgeError(f"{place} cannot be written by this user", "name another directory with --state")
    return place


def _address(text: str) -> tuple[str, int]:
    host, colon, port = text.rpartition(":")
    if not colon or not port.isascii() or not port.isdigit() or not 1 <= int(port) <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is not an address such as 127.0.0.1:8580")
    return host.strip("[]") or "127.0.0.1", int(port)


def _power_of_two(text: str) -> int:
    number = int(text)
    if number < 4096 or number & (number - 1):
        raise argparse.ArgumentTypeError(f"{text} is not a power of two of at least 4096")
    return number
