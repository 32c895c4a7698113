"""The computer's wall clock is set while the real program runs: nothing is blamed, nothing is lost, and it is said.

The clock is a test's own: a `sitecustomize` (Python's site module) that adds a file's seconds to what every process but
intake reads. Intake keeps the true one, for the kernel's stamps of packets come from it.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from slotwatch.views.moments import read_iso
from tests.daemon import HEARD, STUTTERS, Daemon, Ports, desk, ended, house_text, start
from tests.patience import until

CLOCK = """
import sys, time
if "intake" not in sys.orig_argv:
    true_ns, true_s = time.time_ns, time.time
    def ahead_s():
        try:
            return int(open({shift!r}).read())
        except (OSError, ValueError):
            return 0
    time.time_ns = lambda: true_ns() + ahead_s() * 1_000_000_000
    time.time = lambda: true_s() + ahead_s()
"""
HOUR_S = 3600


def lost(daemon: Daemon, universe: str) -> Any:
    found = daemon.get("/api/v1/incidents?state=open") or []
    return next((one for one in found if one["rule"] == "universe-lost" and universe in one["universes"]), None)


def said(one: Any) -> Any:
    """The incident, once it says that the clock was set back."""
    return one if any("set back by 60 min" in entry["text"] for entry in one["timeline"]) else None


@pytest.mark.timeout(180)
def test_a_clock_that_is_set_by_an_hour_dates_what_comes_and_blames_nobody(tmp_path: Path) -> None:
    ports, file, shift = Ports(), tmp_path / "house.toml", tmp_path / "shift"
    file.write_text(house_text(ports, range(1, 4)))
    (tmp_path / "sitecustomize.py").write_text(CLOCK.format(shift=str(shift)))

    def set_ahead(seconds: int) -> None:
        shift.with_suffix(".new").write_text(str(seconds))
        shift.with_suffix(".new").rename(shift)

    def ahead_s(one: dict[str, Any]) -> float:
        """How far ahead of the true clock an incident is dated."""
        return (read_iso(one["opened_at"]) - time.time_ns()) / 1e9

    set_ahead(0)
    with ended(start(file, ports, environment={"PYTHONPATH": str(tmp_path)})) as daemon:
        with desk(daemon, range(1, 2)):
            with desk(daemon, range(2, 3)):
                with desk(daemon, range(3, 4)):
                    until(lambda: all(daemon.universe(f"e131/{n}").get("state") in HEARD for n in (1, 2, 3)))
                    set_ahead(HOUR_S)
                    until(lambda: "set forward by 60 min" in daemon.log())
                first = until(lambda: lost(daemon, "e131/3"))
                assert abs(ahead_s(first) - HOUR_S) < HOUR_S / 2
                set_ahead(0)
                until(lambda: "set back by 60 min" in daemon.log())
                held = until(lambda: said(daemon.api(f"/api/v1/incidents/{first['id']}")))
                assert held["opened_at"] == first["opened_at"], "it keeps the clock with which it opened"
            second = until(lambda: lost(daemon, "e131/2"))
            assert abs(ahead_s(second)) < HOUR_S / 2
            health = daemon.api("/api/v1/house")["listener"]
            assert [round(one["step_ns"] / 1e9) for one in health["clock_steps"] if abs(one["step_ns"]) > 1e9] == [
                HOUR_S,
                -HOUR_S,
            ]
            rules = {one["rule"] for one in daemon.api("/api/v1/incidents?state=all")}
            assert rules - STUTTERS <= {"universe-lost", "querier-absent"}, rules
        assert daemon.stop() == 0, daemon.log()
    done = subprocess.run(
        [sys.executable, "-m", "slotwatch.cli", "report", "-c", str(file), "--json"],
        capture_output=True,
        text=True,
        timeout=60,
    )
    report = json.loads(done.stdout)
    marks = [one["text"] for one in report["marks"] if one["by"] == "slotwatch"]
    assert ["set back" in marks[0], "set forward" in marks[1]] == [True, True] and len(marks) == 2
    ids = {one["id"] for one in report["incidents"]}
    assert {first["id"], second["id"]} <= ids, "also what is dated an hour later than now"
