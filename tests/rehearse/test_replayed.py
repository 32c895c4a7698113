"""Scenarios as captures: `replay` says of them what is true, and tshark counts the same packets."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from slotwatch.cli import main
from slotwatch.rehearse.catalogue import SCENARIOS

FAULTY = (
    "clean-stop",
    "source-died",
    "one-universe-stops-listed",
    "universe-withdrawn",
    "main-died-backup-sends",
    "two-desks-one-priority",
    "overloaded-desk",
    "bad-lead",
    "sequence-stuck",
    "malformed-vector",
    "wiring-loop",
)
"""Not those in which everything ends: a capture ends with its last packet, and nothing is known of what follows."""

HEALTHY = ("static-look", "slow-chase", "art-net-at-rest", "backup-in-step", "redundant-networks")


def capture(name: str, directory: Path) -> tuple[Path, Path]:
    packets, house = directory / "scenario.pcapng", directory / "house.toml"
    assert main(["rehearse", name, "--capture", str(packets), "--house", str(house)]) == 0
    return packets, house


def replayed(name: str, directory: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    packets, house = capture(name, directory)
    capsys.readouterr()
    status = main(["replay", str(packets), "-c", str(house), "--json"])
    return status, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("name", FAULTY)
def test_replay_finds_the_rehearsed_fault(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    truth = SCENARIOS[name].truth
    status, answer = replayed(name, tmp_path, capsys)
    assert status == 1
    found = [each for each in answer["incidents"] if each["rule"] == truth.rule]
    assert len(found) == 1, [(each["rule"], each["universes"]) for each in answer["incidents"]]
    assert not truth.universes or set(found[0]["universes"]) == set(truth.universes)
    assert not truth.cause or found[0]["cause"] in (truth.cause, *truth.causes)
    assert found[0]["severity"] == truth.severity


@pytest.mark.parametrize("name", HEALTHY)
def test_replay_finds_nothing_in_a_healthy_show(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, answer = replayed(name, tmp_path, capsys)
    alarms = [each["rule"] for each in answer["incidents"] if each["severity"] != "note"]
    assert (status, alarms) == (0, [])


@pytest.mark.tshark
@pytest.mark.parametrize("name", ["clean-stop", "wiring-loop", "redundant-networks", "neighbour-leaves-group"])
def test_tshark_counts_the_same_packets(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Source: tshark's own count of the capture's frames, and of those to the two ports."""
    if not shutil.which("tshark"):
        assert not os.environ.get("CI"), "tshark is missing"
        pytest.skip("tshark is not installed")
    _, answer = replayed(name, tmp_path, capsys)
    rows = subprocess.run(
        ["tshark", "-r", str(tmp_path / "scenario.pcapng"), "-T", "fields", "-e", "frame.time_relative"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    assert answer["capture"]["packets"] == len(rows)
    assert answer["capture"]["seconds"] == pytest.approx(float(rows[-1]), abs=0.002)
