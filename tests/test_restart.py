"""A restart in the middle of a show loses nothing of it: real processes, real packets on loopback, kill -9."""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from slotwatch.views.moments import iso_wall
from tests.daemon import Daemon, Ports, desk, ended, house_text, start
from tests.patience import PATIENCE_S, until

CHANCE = random.Random(20260301)
"""Moments of the kill, seconds after an answer: zero, and up to two snapshots later."""
MOMENTS_S = [0.0, 0.0, *(CHANCE.uniform(0.0, 0.4) for _ in range(3))]


@contextlib.contextmanager
def group(file: Path, ports: Ports) -> Iterator[Daemon]:
    with ended(start(file, ports)) as daemon:
        yield daemon


def power_cut(daemon: Daemon) -> None:
    """Every process at once, without notice: the parent first, so that nothing is restarted."""
    children = list(daemon.children().values())
    for number in (daemon.process.pid, *children):
        with contextlib.suppress(ProcessLookupError):
            os.kill(number, signal.SIGKILL)
    daemon.process.wait()


def numbered(daemon: Daemon, number: int) -> Any:
    """The open incident of this number; None while it is not there."""
    found = daemon.get("/api/v1/incidents?state=open")
    return next((one for one in found or () if one["id"] == number), None)


def incident(daemon: Daemon, rule: str) -> Any:
    found = daemon.get("/api/v1/incidents?state=open") or []
    return next((one for one in found if one["rule"] == rule), None)


def report(file: Path, *more: str) -> Any:
    done = subprocess.run(
        [sys.executable, "-m", "slotwatch.cli", "report", "-c", str(file), "--json", *more],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        env={name: value for name, value in os.environ.items() if name != "STATE_DIRECTORY"},
    )
    assert done.returncode in (0, 1), done.stderr
    return json.loads(done.stdout)


@pytest.fixture
def house(tmp_path: Path) -> tuple[Path, Ports]:
    """Starts dark; universe 3 is never sent, so an incident is open from the tenth second on."""
    ports = Ports()
    file = tmp_path / "house.toml"
    file.write_text(house_text(ports, range(1, 4)).replace('phase = "show"', 'phase = "dark"'))
    return file, ports


def test_what_was_answered_is_there_after_a_kill_at_any_moment(house: tuple[Path, Ports]) -> None:
    file, ports = house
    expected: list[str] = []
    numbers: list[int] = []
    killed: list[str] = []
    phase = "show"
    for turn, moment_s in enumerate(MOMENTS_S):
        with group(file, ports) as daemon:
            if turn == 0:
                daemon.order("PUT", "/api/v1/house/phase", {"phase": "show"})
            found = until(lambda daemon=daemon: incident(daemon, "universe-missing"))  # type: ignore[misc]
            numbers.append(found["id"])
            if turn:
                # The page answers once judging was told what is kept, or after 5 s: a busy computer may need more.
                until(lambda daemon=daemon, due=phase: (daemon.get("/api/v1/house") or {}).get("phase") == due)
                found = until(lambda daemon=daemon: incident(daemon, "universe-missing"))  # type: ignore[misc]
                assert found["acknowledged"] is not None, f"turn {turn}"
                assert found["acknowledged"]["note"] == f"turn {turn - 1}"
                assert [one["text"] for one in daemon.api("/api/v1/marks")] == expected
            phase = ("pre-show", "show")[turn % 2]
            answers = [
                daemon.order("POST", "/api/v1/marks", {"text": f"mark {turn}"}),
                daemon.order("PUT", "/api/v1/house/phase", {"phase": phase, "confirm": True}),
                daemon.order(
                    "POST", f"/api/v1/incidents/{found['id']}/acknowledge", {"by": "Ann", "note": f"turn {turn}"}
                ),
            ]
            assert all(answer["stored"] for answer in answers)
            expected.append(f"mark {turn}")
            time.sleep(moment_s)
            power_cut(daemon)
            killed.append(iso_wall(time.time_ns()))
    assert len(set(numbers)) == 1, "one fault, one number"
    written = report(file, "--since", "2020-01-01")
    gaps = [one for one in written["not_judged"] if one["reason"] == "ended-unexpectedly"]
    for killed_at in killed[:-1]:
        assert any(gap["from"] <= killed_at <= gap["to"] for gap in gaps), (killed_at, written["not_judged"])


def test_a_restart_in_the_show_goes_on_with_it(house: tuple[Path, Ports]) -> None:
    file, ports = house
    with group(file, ports) as daemon:
        daemon.order("PUT", "/api/v1/house/phase", {"phase": "show"})
        with desk(daemon, range(1, 3)):
            before = until(lambda: incident(daemon, "universe-missing"))
            since = daemon.api("/api/v1/house")["phase_since"]
        lost = until(lambda: incident(daemon, "universe-lost"))
        assert daemon.stop() == 0
    with group(file, ports) as daemon:
        # What was lost is missing too once the start is over, and is then listed first: the number says which it is.
        after = until(lambda: numbered(daemon, before["id"]))
        assert (after["rule"], after["opened_at"]) == ("universe-missing", before["opened_at"])
        again = until(lambda: incident(daemon, "universe-lost") or incident(daemon, "universe-missing"))
        assert again["id"] in (lost["id"], before["id"])
        now = daemon.api("/api/v1/house")
        assert (now["phase"], now["phase_since"][:21]) == ("show", since[:21])
        assert "not-running" in json.dumps(now["listener"]["not_judged"])
        front, judging = daemon.children()["front"], daemon.children()["judging"]
        for number in (judging, front):
            os.kill(number, signal.SIGKILL)
        until(
            lambda: (daemon.children().get("judging") not in (None, judging) and daemon.get("/readyz") is None) or True
        )
        until(lambda: incident(daemon, "universe-missing"))
        assert daemon.api("/api/v1/house")["phase"] == "show"
        daemon.order("POST", "/api/v1/marks", {"text": "after all of it"})
        ids = [one["id"] for one in daemon.api("/api/v1/incidents?state=all&limit=100")]
        assert len(ids) == len(set(ids))
        assert daemon.stop() == 0
    written = report(file)
    assert written["span"] == "The last time the house was in show."
    assert written["since"][:19] <= since[:19]
    assert {before["id"], lost["id"]} <= {one["id"] for one in written["incidents"]}
    assert [one["text"] for one in written["marks"]] == ["after all of it"]
    assert [one["reason"] for one in written["not_judged"]].count("not-running") == 1
    assert "ended-unexpectedly" not in {one["reason"] for one in written["not_judged"]}
    assert len({one["id"] for one in written["incidents"]}) == len(written["incidents"])
