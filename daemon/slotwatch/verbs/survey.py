"""`slotwatch survey`: find who sends what, and write a first house file."""

from __future__ import annotations

import argparse
import json
import sys
import urllib.error
import urllib.request
from dataclasses import asdict
from datetime import date
from pathlib import Path

from slotwatch.errors import EdgeError
from slotwatch.house.schema import House, Network
from slotwatch.house.service import Listen
from slotwatch.printable import shown
from slotwatch.verbs.universe_ranges import universes
from slotwatch.views import survey as words

DEFAULT_URL = "http://127.0.0.1:8580"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's options."""
    parser.add_argument("--seconds", type=float, help="how long to listen (default 24, more for many --universes)")
    parser.add_argument(
        "--universes",
        type=universes,
        default=(),
        metavar="1-64",
        help="E1.31 universes to join in addition to those that discovery lists name",
    )
    parser.add_argument(
        "--interface", action="append", default=[], metavar="NAME", help="network to listen on; may be repeated"
    )
    parser.add_argument("--write", metavar="HOUSE.toml", help="write a first house file; never overwrites one")
    parser.add_argument(
        "--url", default=DEFAULT_URL, help="address of a running slotwatch, which is asked for its phase"
    )
    parser.add_argument("--e131-port", type=int, default=5568, help=argparse.SUPPRESS)
    parser.add_argument("--artnet-port", type=int, default=6454, help=argparse.SUPPRESS)
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Listen, print, perhaps write. EdgeError if the world says no."""
    from slotwatch.edge.tools.survey import live_interfaces, seconds_for, survey

    if arguments.seconds is None:
        arguments.seconds = seconds_for(arguments.universes)
    if not 2 <= arguments.seconds <= 3600:
        raise EdgeError(f"--seconds {arguments.seconds:g} is out of range", "give 2 to 3600")
    target = Path(arguments.write) if arguments.write else None
    if target is not None and target.exists():
        raise EdgeError(f"{target} exists already", "name a new file; a survey never overwrites one")
    _refuse_during_a_show(arguments.url)
    interfaces = tuple(arguments.interface) or live_interfaces()
    house = House(
        name="survey",
        listen=Listen(interfaces=interfaces, e131_port=arguments.e131_port, artnet_port=arguments.artnet_port),
        networks=tuple(Network(name, name) for name in interfaces),
    )
    for line in words.announcement(interfaces, arguments.universes):
        print(shown(line), file=sys.stderr)
    found = survey(house, arguments.seconds, lambda line: print(line, file=sys.stderr), arguments.universes)
    if arguments.json:
        print(json.dumps(asdict(found), indent=2))
    else:
        print("\n".join(words.text(found)))
    if target is not None:
        try:
            target.write_text(words.house_file(found, date.today().isoformat()), encoding="utf-8")
        except OSError as error:
            raise EdgeError(f"{target} cannot be written: {error.strerror}", "name another place") from None
        print(f"wrote {target}; look for the word confirm in it, then: slotwatch check -c {target}", file=sys.stderr)
    return 0


def _refuse_during_a_show(url: str) -> None:
    """A survey joins groups, which loads switches: not while a running slotwatch says that a show is on."""
    try:
        with urllib.request.urlopen(f"{url.rstrip('/')}/api/v1/house", timeout=2) as answer:
            phase = json.load(answer).get("phase")
    except urllib.error.HTTPError as error:
        with error:
            if error.code not in (401, 403):
                return
        raise EdgeError(
            f"the slotwatch at {url} tells its phase only with a token: a show may be on, and a survey loads switches",
            "after the show, stop that slotwatch and survey then",
        ) from None
    except (urllib.error.URLError, OSError, ValueError):
        return  # no daemon runs there that could say whether a show is on
    if phase == "show":
        raise EdgeError(
            f"the slotwatch at {url} is in phase show, and a survey loads the switches",
            "after the show, stop that slotwatch and survey then; or take the house file that it offers: "
            f"{url.rstrip('/')}/api/v1/house/draft",
        )
