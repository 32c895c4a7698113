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
from tests.net.namespace import inside
from tests.patience import PATIENCE_S


def test_list_names_every_scenario_in_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == len(SCENARIOS)
    assert any(line.startswith("source-died ") and "F02" in line for line in lines)


def test_list_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "--list", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert {row["name"] for row in rows} == set(SCENARIOS)


@pytest.mark.parametrize("words", [("demo", "--capture"), ("demo", "--house"), ("--capture",)])
def test_what_never_ends_is_not_written_to_a_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, words: tuple[str, ...]
) -> None:
    assert main(["rehearse", *words, str(tmp_path / "file")]) == 2
    assert "need a SCENARIO with an end" in capsys.readouterr().err


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


def ends_on_sigint() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listening:
        listening.bind(("127.0.0.1", 15568))
        listening.settimeout(PATIENCE_S)
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
            out, err = child.communicate(timeout=PATIENCE_S)
        finally:
            child.kill()
    sent = [packet for packet in packets if len(packet) == 638]
    ended = sum(bool(packet[112] & 0x40) for packet in sent)
    universes = len({packet[114] for packet in sent})
    print(json.dumps({"status": child.returncode, "out": out, "err": err, "ended": ended, "universes": universes}))


@pytest.mark.net
def test_rehearsal_ends_with_terminated_packets_on_sigint() -> None:
    """E1.31-2018 6.2.6: three packets with the stream-terminated bit for each stream that was alive.

    In a network of its own: it sends to its usual port, which on this computer may be another's.
    """
    answer = inside(f"from {__name__} import ends_on_sigint\nends_on_sigint()")
    assert answer["status"] == 0, answer
    assert "packets sent" in answer["err"] and "Traceback" not in answer["err"]
    assert answer["out"].startswith("static-look: ")
    assert answer["universes"] and answer["ended"] == 3 * answer["universes"]
