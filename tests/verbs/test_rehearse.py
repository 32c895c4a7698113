"""`slotwatch rehearse`: lists, writes captures and houses, plays, and ends cleanly when asked to."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from slotwatch.cli import main
from slotwatch.edge.shared.files import load_house
from slotwatch.rehearse.catalogue import SCENARIOS


def test_list_names_every_scenario_in_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == len(SCENARIOS)
    assert any(line.startswith("source-died ") and "F02" in line for line in lines)


def test_list_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "--list", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert {row["name"] for row in rows} == set(SCENARIOS)


def test_unknown_scenario_is_one_line_and_status_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "source-dyed"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "slotwatch rehearse: there is no scenario 'source-dyed'; did you mean 'source-died'? "
        "See slotwatch rehearse --list"
    ]


def test_capture_that_cannot_be_written_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "clean-stop", "--capture", "/nowhere/at/all.pcapng"]) == 2
    assert "cannot write /nowhere/at/all.pcapng: No such file or directory" in capsys.readouterr().err


@pytest.mark.parametrize("name", [each.name for each in SCENARIOS.values() if each.paper.networks == 1][::9])
def test_house_of_a_live_scenario_listens_on_loopback_alone(name: str, tmp_path: Path) -> None:
    assert main(["rehearse", name, "--house", str(tmp_path / "house.toml")]) == 0
    house = load_house(tmp_path / "house.toml")
    assert house.listen.interfaces == ("lo",)
    assert (house.listen.e131_port, house.listen.artnet_port) == (15568, 16454)
    assert all(source.address is None or source.address.startswith("127.") for source in house.sources)


def test_rehearsal_ends_with_terminated_packets_on_sigint() -> None:
    """E1.31-2018 6.2.6: three packets with the stream-terminated bit for each stream that was alive."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listening:
        try:
            listening.bind(("127.0.0.1", 15568))
        except OSError:
            pytest.skip("another rehearsal holds port 15568 here")
        listening.settimeout(30)
        child = subprocess.Popen(
            [sys.executable, "-m", "slotwatch.cli", "rehearse", "static-look"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        try:
            packets = [listening.recv(2048)]
            child.send_signal(signal.SIGINT)
            listening.settimeout(0.05)
            # Read all the while, or on a busy computer the last packets would find the buffer full.
            while True:
                has_ended = child.poll() is not None
                try:
                    packets.append(listening.recv(2048))
                except TimeoutError:
                    if has_ended:
                        break
            out, err = child.communicate(timeout=30)
        finally:
            child.kill()
    assert child.returncode == 0, err
    assert "packets sent" in err and "Traceback" not in err
    assert out.startswith("static-look: ")
    ended = [packet for packet in packets if len(packet) == 638 and packet[112] & 0x40]
    universes = {packet[114] for packet in packets if len(packet) == 638}
    assert universes and len(ended) == 3 * len(universes)
