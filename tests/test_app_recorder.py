"""What the running daemon recorded around an incident is reported again by `replay`, and read by tshark."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from slotwatch.cli import main
from tests.daemon import ASKED_AGAIN_S, desk, running
from tests.patience import until


def test_replay_of_the_recorded_packets_agrees_with_serve(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def lost() -> Any:
        found = daemon.get("/api/v1/incidents?state=all") or []
        # It may open with the one that is lost first, and widen.
        return next((i for i in found if i["rule"] == "universe-lost" and len(i["universes"]) == 2), None)

    # A third universe continues: a recording ends with its last packet, and nothing is judged after that.
    with running(tmp_path, universes=range(1, 4)) as daemon, desk(daemon, range(3, 4)):
        with desk(daemon, range(1, 3)):
            until(lambda: all(daemon.universe(f"e131/{n}").get("frames", 0) > 100 for n in (1, 2)))
        loss = until(lost)
        address = f"http://127.0.0.1:{daemon.ports.page}/api/v1/incidents/{loss['id']}/packets"

        def packets() -> bytes | None:
            try:
                with urllib.request.urlopen(address, timeout=ASKED_AGAIN_S) as answer:
                    return bytes(answer.read())
            except OSError:
                return None

        capture = tmp_path / "incident.pcapng"
        capture.write_bytes(until(packets))
        house = tmp_path / "replayed.toml"
        house.write_text(daemon.file.read_text())
    capsys.readouterr()
    status = main(["replay", str(capture), "-c", str(house), "--json"])
    again = json.loads(capsys.readouterr().out)
    same = [i for i in again["incidents"] if i["rule"] == "universe-lost"]
    assert status == 1
    assert [(i["rule"], i["cause"], i["universes"]) for i in same] == [(loss["rule"], loss["cause"], loss["universes"])]
    if shutil.which("tshark") is None:
        assert os.environ.get("CI") != "true", "tshark is missing"
        pytest.skip("tshark is missing: sudo apt-get install tshark")
    read = subprocess.run(
        [
            "tshark",
            "-r",
            str(capture),
            "-d",
            f"udp.port=={daemon.ports.e131},data",
            "-T",
            "fields",
            "-e",
            "udp.dstport",
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    assert len(read.stdout.split()) == again["capture"]["packets"]
