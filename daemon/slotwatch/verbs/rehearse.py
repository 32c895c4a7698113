"""`slotwatch rehearse`: a pretend house that sends real packets to loopback, healthy or with a named fault."""

from __future__ import annotations

import argparse
import json
import signal
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from slotwatch.edge.tools.demo import Demo, harbour_house
from slotwatch.edge.tools.rehearsal import Played, Player
from slotwatch.errors import EdgeError
from slotwatch.rehearse import catalogue, harbour
from slotwatch.rehearse.capture import pcapng
from slotwatch.rehearse.scenario import Scenario
from slotwatch.rehearse.stage import Item, mixed

DEMO = "demo"
HEALTHY = "harbour"
BUSY_NS = 75_000_000
"""Packets that were so late can look like a sender that stutters: three frame times of 40 Hz."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "scenario",
        nargs="?",
        metavar="SCENARIO",
        help=f"a name from --list; {DEMO!r} starts the demo house and its page; left out: the Harbour Street show",
    )
    parser.add_argument("--list", action="store_true", help="list the scenarios and stop")
    parser.add_argument(
        "--capture", type=Path, metavar="FILE", help="write the scenario as pcapng instead of sending it"
    )
    parser.add_argument(
        "--house", type=Path, metavar="FILE", help="write the house file that the scenario is judged by"
    )
    parser.add_argument("--json", action="store_true", help="print --list as JSON")


def run(arguments: argparse.Namespace) -> int:
    if arguments.list:
        _list(arguments.json)
        return 0
    if arguments.scenario in (None, HEALTHY, DEMO) and (arguments.house or arguments.capture):
        raise EdgeError("--capture and --house need a SCENARIO with an end", "see slotwatch rehearse --list")
    if arguments.scenario == DEMO:
        return _demo()
    if arguments.scenario in (None, HEALTHY):
        return _harbour()
    scenario = _find(arguments.scenario)
    if arguments.house:
        _write_house(scenario, arguments.house, live=not arguments.capture)
    if arguments.capture:
        _write_capture(scenario, arguments.capture)
    elif not arguments.house:
        _play(scenario)
    return 0


def _find(name: str) -> Scenario:
    found = catalogue.SCENARIOS.get(name)
    if found is None:
        near = catalogue.nearest(name)
        meant = f"did you mean {near!r}? See" if near else "see"
        raise EdgeError(f"there is no scenario {name!r}", f"{meant} slotwatch rehearse --list")
    return found


def _list(as_json: bool) -> None:
    rows = list(catalogue.SCENARIOS.values())
    if as_json:
        shown = [{"name": row.name, "fault": row.fault, "title": row.title, "live": row.live} for row in rows]
        print(json.dumps(shown, indent=2))
        return
    width = max(len(row.name) for row in rows)
    for row in rows:
        note = "" if row.live else " (only as --capture)"
        print(f"{row.name:{width}}  {row.fault or 'healthy':7}  {row.title}{note}")


def _write_house(scenario: Scenario, path: Path, live: bool) -> None:
    """Write the house file: for a live rehearsal on loopback, or, beside a capture, for `replay`."""
    player = Player()
    text = scenario.paper.on_loopback(player.e131_port, player.artnet_port) if live else scenario.paper.toml
    _write(path, text.encode())
    for name, text in scenario.paper.files:
        _write(path.parent / name, text.encode())
    if live:
        print(f"wrote {path}; now run: slotwatch serve -c {path}")
        print(f"then, in another terminal: slotwatch rehearse {scenario.name}")


def _write_capture(scenario: Scenario, path: Path) -> None:
    _write(path, b"".join(pcapng(scenario.items(), catalogue.INTERFACES)))
    print(f"{path}: {scenario.title}")


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as error:
        raise EdgeError(f"cannot write {path}: {error.strerror}", "name a file that this user may write") from error


def _play(scenario: Scenario) -> None:
    player = _player()
    print(f"{scenario.name}: {scenario.title}")
    print(
        f"sends to 127.0.0.1, ports {player.e131_port} and {player.artnet_port}, {scenario.seconds:g} s; Ctrl-C ends it"
    )
    if not scenario.live:
        print("this fault shows in more than packets, and only its packets are played; --capture writes it for replay")
    _report(player.play(scenario.items()))


def _harbour() -> int:
    house = harbour_house()
    player = _player()
    player.e131_port, player.artnet_port = house.listen.e131_port, house.listen.artnet_port
    print(f"{house.name}: sends to 127.0.0.1, ports {player.e131_port} and {player.artnet_port}; Ctrl-C ends it")
    show = (harbour.main_desk(house), harbour.backup_desk(house), harbour.media_server(house))
    _report(player.play(mixed(*(each.sends() for each in show))))
    return 0


def _demo() -> int:
    player = _player()
    with Demo() as demo:
        player.e131_port, player.artnet_port = demo.e131_port, demo.artnet_port
        for line in demo.remarks:
            print(line)
        print(f"{demo.house.name}: {demo.url}")
        print("A healthy show for a minute, then the main desk dies for 12 s and comes back, again and again.")
        print("Ctrl-C ends the show and the daemon.", flush=True)
        _report(player.play(_spoken(demo.alive(harbour.demo_show(demo.house)))))
    return 0


def _spoken(items: Iterator[Item | harbour.DemoNotice]) -> Iterator[Item]:
    """Print what the show says of itself, with the time of day, and pass its packets on."""
    for item in items:
        if isinstance(item, harbour.DemoNotice):
            print(f"{datetime.now():%H:%M:%S} {item.text}", flush=True)
        else:
            yield item


def _player() -> Player:
    player = Player()

    def stop(*_: object) -> None:
        player.stopped = True

    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGTERM, stop)
    return player


def _report(played: Played) -> None:
    text = f"{played.packets} packets sent, at most {played.latest_ns / 1e6:.1f} ms late"
    if played.not_played:
        text += f"; {played.not_played} events that are not packets were not played"
    if played.latest_ns > BUSY_NS:
        text += "; this computer was too busy to send them in time, so slotwatch may report uneven refresh"
    print(text, file=sys.stderr)
