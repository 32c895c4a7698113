"""`slotwatch replay`: judge a packet capture with the engine that watches a house. Sends nothing."""

from __future__ import annotations

import argparse
import json
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from slotwatch.errors import FOUND_FAULTS, CaptureError
from slotwatch.house.schema import House, Phase
from slotwatch.printable import shown

NOTHING_JUDGED = 2


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's options."""
    parser.add_argument("capture", metavar="CAPTURE", help="a pcap or pcapng file, also gzipped")
    parser.add_argument("-c", "--config", metavar="HOUSE.toml", help="the house it was captured in")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Judge the capture and print what was found. CaptureError or HouseFileError if it cannot be done."""
    from slotwatch.bridge.declared import declare_fed
    from slotwatch.edge.shared.files import load_house
    from slotwatch.edge.tools.captures import open_capture
    from slotwatch.edge.tools.replaying import Replay
    from slotwatch.views import replay as views

    declared = declare_fed(load_house(Path(arguments.config))) if arguments.config else None
    house = declared or House(name=Path(arguments.capture).name)
    capture = open_capture(arguments.capture, house.listen, house.networks if declared else ())
    if capture.first_ns is None:
        why = capture.reader.ended or "it holds no packet"
        raise CaptureError(f"{arguments.capture}: nothing to judge: {why}")
    if declared is None:
        house = replace(house, networks=capture.networks)
    judged = Replay(capture, house, _phase(arguments.config, house)).run()
    for note in capture.notes:
        print(shown(f"slotwatch replay: {arguments.capture}: {note}"), file=sys.stderr)
    summary = views.CaptureSummary(
        arguments.capture,
        capture.packets,
        capture.first_ns,
        capture.last_ns,
        capture.protocol_packets,
        other_udp=capture.counts.udp - capture.protocol_packets,
        group_messages=capture.group_messages,
        unread=capture.unread,
        hidden=capture.hidden,
        broken=capture.broken,
        clock_steps=tuple(capture.clock.steps),
        clock_step_count=capture.clock.step_count,
        out_of_order=capture.clock.out_of_order,
    )
    report = views.replay_report(summary, judged.snapshot, judged.incidents)
    if arguments.json:
        print(json.dumps(views.replay_json(report), indent=2))
    else:
        print("\n".join(views.replay_text(report, house.time_zone)))
    if report.unjudged:
        if arguments.json:
            print(shown(f"slotwatch replay: {arguments.capture}: {report.unjudged}"), file=sys.stderr)
        return NOTHING_JUDGED
    return FOUND_FAULTS if report.found_faults else 0


def _phase(config: str | None, house: House) -> Phase | None:
    """Say the phase to judge in: `show`, unless the house file names one or has a timetable."""
    if house.timetable:
        return None
    if config is None:
        return Phase.SHOW
    section: Any = tomllib.loads(Path(config).read_text(encoding="utf-8-sig")).get("house", {})
    return house.phase if "phase" in section else Phase.SHOW
