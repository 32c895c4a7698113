"""The computer's wall clock is set while the real program runs: nothing is blamed, nothing is lost, and it is said.

The clock is a test's own: a `sitecustomize` (Python's site module) that adds a file's seconds to what every process but
intake reads. Intake keeps the true one, for the kernel's stamps of packets come from it.
"""

from __future__ import annotations

import contextlib
import http.server
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest

from slotwatch.views.moments import iso_wall, read_iso
from tests.daemon import HEARD, STUTTERS, Daemon, Ports, desk, ended, house_text, start
from tests.edge.front.test_mqtt import BROKER, broker
from tests.patience import PATIENCE_S, until
from tests.ports import free_port

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


def set_to(shift: Path, seconds: int) -> None:
    """Set the computer's clock ahead of the true one by this much."""
    shift.with_suffix(".new").write_text(str(seconds))
    shift.with_suffix(".new").rename(shift)


@contextlib.contextmanager
def receiver(port: int) -> Iterator[list[Any]]:
    """An HTTP server that takes alerts; gives what each request held."""
    taken = list[Any]()

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:  # the library's name
            taken.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", port), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield taken
        finally:
            server.shutdown()
            thread.join()


def told(body: list[dict[str, Any]]) -> set[int]:
    """Numbers of the incidents that alerts are about."""
    return {int(number) for one in body for number in one["annotations"]["incidents"].split(", ")}


@pytest.mark.skipif(BROKER is None and os.environ.get("CI") != "true", reason="needs mosquitto")
def test_alerts_messages_and_reports_follow_a_clock_that_is_set(tmp_path: Path) -> None:
    """Alertmanager (API v2) refuses an alert that ends before it starts, and ends an open one at its `endsAt`."""
    ports, file, shift = Ports(), tmp_path / "house.toml", tmp_path / "shift"
    alerts_port, broker_port = free_port(socket.SOCK_STREAM), free_port(socket.SOCK_STREAM)
    more = (
        f'[alerts]\nalertmanager_urls = ["http://127.0.0.1:{alerts_port}"]\n'
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker_port}\n'
    )
    file.write_text(house_text(ports, range(1, 3), more))
    (tmp_path / "sitecustomize.py").write_text(CLOCK.format(shift=str(shift)))
    set_to(shift, 2 * HOUR_S)
    heard = list[dict[str, Any]]()
    listener = paho.Client(paho.CallbackAPIVersion.VERSION2)
    listener.on_message = lambda _client, _data, message: heard.append(json.loads(message.payload))
    with broker(tmp_path, broker_port), receiver(alerts_port) as alerts:
        listener.connect("127.0.0.1", broker_port)
        listener.subscribe("slotwatch/incident")
        listener.loop_start()
        with ended(start(file, ports, environment={"PYTHONPATH": str(tmp_path)})) as daemon:
            with desk(daemon, range(1, 2)):
                with desk(daemon, range(2, 3)):
                    until(lambda: all(daemon.universe(f"e131/{n}").get("state") in HEARD for n in (1, 2)))
                first = until(lambda: lost(daemon, "e131/2"))
                until(lambda: first["id"] in {number for body in alerts for number in told(body)})
                set_to(shift, 0)
                daemon.says("set back by 2 h")
                before = len(alerts)
            second = until(lambda: lost(daemon, "e131/1"))
            sent = until(lambda: next((body for body in alerts[before:] if second["id"] in told(body)), None))
            ends_s = [(read_iso(one["endsAt"]) - time.time_ns()) / 1e9 for one in sent]
            assert all(one["startsAt"] <= one["endsAt"] for one in sent) and max(ends_s) < 300, sent
            is_open = told([one for one, end_s in zip(sent, ends_s, strict=True) if end_s > 0])
            assert {first["id"], second["id"]} <= is_open, "they neither end nor stay by mistake"
            began = until(lambda: {one["id"]: one["began_at"] for one in heard if one["id"] == second["id"]})
            assert began[second["id"]] == second["began_at"], "MQTT dates it as the page does"
            minute_ago = iso_wall(time.time_ns() - 60_000_000_000)
            found = daemon.api(f"/api/v1/report?format=json&since={minute_ago}")
            assert {first["id"], second["id"]} <= {one["id"] for one in found["incidents"]}
            phases = [one["at"] for one in found["phases"]]
            assert phases == sorted(phases) and phases[-1] <= iso_wall(time.time_ns()), phases
            assert daemon.stop() == 0, daemon.log()
        listener.loop_stop()
        listener.disconnect()


def test_a_clock_that_is_set_by_an_hour_dates_what_comes_and_blames_nobody(tmp_path: Path) -> None:
    ports, file, shift = Ports(), tmp_path / "house.toml", tmp_path / "shift"
    file.write_text(house_text(ports, range(1, 4)))
    (tmp_path / "sitecustomize.py").write_text(CLOCK.format(shift=str(shift)))

    def ahead_s(one: dict[str, Any]) -> float:
        """How far ahead of the true clock an incident is dated."""
        return (read_iso(one["opened_at"]) - time.time_ns()) / 1e9

    set_to(shift, 0)
    with contextlib.ExitStack() as every:
        # They play before the daemon starts, or what is late on a busy computer would be missing.
        desks = {number: every.enter_context(contextlib.ExitStack()) for number in (1, 2, 3)}
        for number, own in desks.items():
            own.enter_context(desk(ports, range(number, number + 1)))
        daemon = every.enter_context(ended(start(file, ports, environment={"PYTHONPATH": str(tmp_path)})))
        until(lambda: all(daemon.universe(f"e131/{n}").get("state") in HEARD for n in desks))
        set_to(shift, HOUR_S)
        daemon.says("set forward by 60 min")
        desks[3].close()
        first = until(lambda: lost(daemon, "e131/3"))
        assert abs(ahead_s(first) - HOUR_S) < HOUR_S / 2
        set_to(shift, 0)
        daemon.says("set back by 60 min")
        held = until(lambda: said(daemon.api(f"/api/v1/incidents/{first['id']}")))
        assert held["opened_at"] == first["opened_at"], "it keeps the clock with which it opened"
        desks[2].close()
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
        timeout=PATIENCE_S,
    )
    report = json.loads(done.stdout)
    marks = [one["text"] for one in report["marks"] if one["by"] == "slotwatch"]
    assert ["set back" in marks[0], "set forward" in marks[1]] == [True, True] and len(marks) == 2
    ids = {one["id"] for one in report["incidents"]}
    assert {first["id"], second["id"]} <= ids, "also what is dated an hour later than now"
