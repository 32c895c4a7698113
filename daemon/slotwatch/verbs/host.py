"""`host`: judges this computer for the job, and names the command that fixes what it finds."""

from __future__ import annotations

import argparse
import json

from slotwatch.errors import FOUND_FAULTS, EdgeError

LONGEST_S = 600


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-c", "--config", metavar="HOUSE.toml", help="check for this house: its interfaces and ports")
    parser.add_argument(
        "--listen",
        type=float,
        default=0.0,
        metavar="SECONDS",
        help="wait this long for switches to announce the ports that this computer is on",
    )
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")


def run(arguments: argparse.Namespace) -> int:
    from slotwatch.edge.shared.files import load_house
    from slotwatch.edge.tools.computer import judge_computer
    from slotwatch.edge.tools.switch_ports import heard_here, running_here
    from slotwatch.house.schema import House

    house = load_house(arguments.config) if arguments.config else House()
    if not 0 <= arguments.listen <= LONGEST_S:
        raise EdgeError(f"--listen {arguments.listen:g} is out of range", f"give up to {LONGEST_S}")
    findings = judge_computer(house)
    findings += heard_here(house, arguments.listen) if arguments.listen else running_here(house)
    if arguments.json:
        rows = [{"what": f.what, "ok": f.ok, "text": f.text, "fix": f.fix} for f in findings]
        print(json.dumps({"ok": all(f.ok for f in findings), "findings": rows}, indent=2, ensure_ascii=False))
    else:
        for finding in findings:
            print(f"{'ok   ' if finding.ok else 'FAULT'}  {finding.what}: {finding.text}")
            if not finding.ok and finding.fix:
                print(f"       fix: {finding.fix}")
    return 0 if all(finding.ok for finding in findings) else FOUND_FAULTS
