"""Routes of the running daemon, with real packets: they outlive the page and the diagnosis, and say what they do."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import select
import signal
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.daemon import HEARD, STUTTERS, Daemon, desk, running
from tests.edge.ptys import line_of_its_own
from tests.patience import PATIENCE_S, TRIALS, until


def route(name: str, target: str, more: str = "") -> str:
    return f'\n[[routes]]\nname = "{name}"\nfrom = "e131/1"\nto = "{target}"\n{more}\n'


def state_of(daemon: Daemon, name: str) -> dict[str, Any]:
    return next((row for row in daemon.get("/api/v1/routes") or [] if row.get("route") == name), {})


def of_rule(daemon: Daemon, rule: str, state: str = "all") -> list[dict[str, Any]]:
    found = daemon.get(f"/api/v1/incidents?state={state}") or []
    return [incident for incident in found if incident["rule"] == rule]


@pytest.fixture
def line() -> Iterator[tuple[int, str]]:
    with line_of_its_own() as ends:
        yield ends


def octets(master: int, seconds: float) -> list[tuple[float, int]]:
    """When octets came out of the line, and how many."""
    found, end = [], time.monotonic() + seconds
    while (left := end - time.monotonic()) > 0:
        if select.select([master], [], [], left)[0]:
            try:
                found.append((time.monotonic(), len(os.read(master, 65536))))
            except OSError:
                time.sleep(0.01)
    return found


def test_a_routed_universe_carries_the_same_levels_and_is_no_stranger(tmp_path: Path) -> None:
    """E1.31 to E1.31 and to Art-Net, heard again by the daemon itself: nothing is raised about its own streams."""
    more = route("copy", "e131/112", 'to_address = "127.0.0.1"') + route("node", "artnet/3", 'to_address = "127.0.0.1"')
    with running(tmp_path, more=more) as daemon:
        with desk(daemon, range(1, 3)):
            until(lambda: state_of(daemon, "copy").get("state") == "running")
            until(lambda: daemon.universe("e131/112").get("state") in HEARD)
            until(lambda: daemon.universe("artnet/3").get("frames", 0) > 20)
            copied = daemon.api("/api/v1/universes/e131/112")
            assert copied["winning_name"] == "slotwatch bridge"
            assert copied["priority"] == 50, "under the desk's 100"
            incidents = daemon.api("/api/v1/incidents?state=all")
            own = {row["protocol"]: row["own_bridge"] for row in daemon.api("/api/v1/sources") if row["own_bridge"]}
            assert own == {"e131": True, "artnet": True}
            assert any(not row["own_bridge"] for row in daemon.api("/api/v1/sources")), "the desk is not"
            about_us = [i for i in incidents if {"e131/112", "artnet/3"} & set(i["universes"])]
            assert [i for i in about_us if i["rule"] not in STUTTERS] == []
        # The desk has gone silent: after its timeout the route ends its stream with the terminated bit.
        until(lambda: state_of(daemon, "copy").get("state") == "stopped")
        until(lambda: daemon.universe("e131/112").get("state") == "not-sent")


def test_a_line_goes_on_while_page_and_diagnosis_are_killed(tmp_path: Path, line: tuple[int, str]) -> None:
    master, name = line
    with running(tmp_path, more=route("line", f"serial:{name}")) as daemon, desk(daemon, range(1, 3)):
        until(lambda: state_of(daemon, "line").get("state") == "running")
        octets(master, 0.5)
        routes, longest_s = daemon.children()["routes"], list[float]()
        while len(longest_s) < TRIALS and min(longest_s, default=1.0) >= 0.5:
            children = daemon.children()
            for role in ("judging", "front"):
                os.kill(children[role], signal.SIGKILL)
            times = [at for at, _ in octets(master, 2.0)]
            longest_s.append(max((b - a for a, b in itertools.pairwise(times)), default=2.0))
            for role in ("judging", "front"):
                until(lambda role=role, before=children[role]: daemon.children().get(role) not in (None, before))
            until(lambda: state_of(daemon, "line").get("state") == "running")
        assert min(longest_s) < 0.5, longest_s
        assert daemon.children()["routes"] == routes


def test_routes_whose_process_is_killed_are_reported(tmp_path: Path) -> None:
    """What hangs on their outputs lacks data until they are started again, which only a person in the house can see."""
    more = route("node", "artnet/3", 'to_address = "127.0.0.1"') + route("copy", "e131/112", 'to_address = "127.0.0.1"')
    with running(tmp_path, more=more) as daemon, desk(daemon, range(1, 3)):
        until(lambda: {state_of(daemon, one).get("state") for one in ("node", "copy")} == {"running"})
        os.kill(daemon.children()["routes"], signal.SIGKILL)
        until(lambda: of_rule(daemon, "route-output-lost"))
        (incident,) = of_rule(daemon, "route-output-lost")
        assert (incident["severity"], incident["cause"]) == ("critical", "process")
        assert incident["summary"].startswith('Routes "node" and "copy" have sent nothing since ')
        until(lambda: {state_of(daemon, one).get("state") for one in ("node", "copy")} == {"running"})
        until(lambda: not of_rule(daemon, "route-output-lost", "open"))
        assert len(of_rule(daemon, "route-output-lost")) == 1


def test_routes_that_a_reload_starts_again_or_takes_away_and_brings_back_are_no_fault(tmp_path: Path) -> None:
    with running(tmp_path, more=route("copy", "e131/112", 'to_address = "127.0.0.1"')) as daemon, desk(daemon, [1, 2]):
        until(lambda: state_of(daemon, "copy").get("state") == "running")
        child = daemon.children()["routes"]
        daemon.file.write_text(daemon.file.read_text().replace("Test house", "Other house"))
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: daemon.children().get("routes", child) != child)
        until(lambda: state_of(daemon, "copy").get("state") == "running")
        assert not of_rule(daemon, "route-output-lost")
        with_routes = daemon.file.read_text()
        daemon.file.write_text(with_routes.replace(route("copy", "e131/112", 'to_address = "127.0.0.1"'), ""))
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: "routes" not in daemon.children())
        daemon.file.write_text(with_routes)
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: state_of(daemon, "copy").get("state") == "running")
        assert not of_rule(daemon, "route-output-lost")


def test_an_adapter_that_is_unplugged_from_a_routes_line_is_reported(tmp_path: Path) -> None:
    """A pseudo-terminal whose other end closes answers as an adapter does that was unplugged: input/output error."""
    with contextlib.ExitStack() as plugged:
        _, name = plugged.enter_context(line_of_its_own())
        with running(tmp_path, more=route("line", f"serial:{name}")) as daemon, desk(daemon, range(1, 3)):
            until(lambda: state_of(daemon, "line").get("state") == "running")
            assert not of_rule(daemon, "route-output-lost")
            plugged.close()
            until(lambda: of_rule(daemon, "route-output-lost"))
            (incident,) = of_rule(daemon, "route-output-lost")
            assert (incident["severity"], incident["cause"]) == ("critical", "port")
            assert incident["summary"].startswith(f'Route "line" sends nothing to serial:{name}: {name} ')


def test_asking_fixtures_is_off_unless_declared_and_refused_in_a_show(tmp_path: Path) -> None:
    def ask(daemon: Daemon) -> str:
        request = urllib.request.Request(
            f"http://127.0.0.1:{daemon.ports.page}/api/v1/ask-fixtures",
            json.dumps({"confirm": True}).encode(),
            {"Content-Type": "application/json"},
            method="POST",
        )
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(request, timeout=PATIENCE_S)
        with refused.value as answer:
            return str(json.load(answer)["error"])

    with running(tmp_path) as daemon:
        until(lambda: daemon.get("/api/v1/house"))
        assert "ask_fixtures = true" in ask(daemon)
        text = daemon.file.read_text().replace("[listen]", "[listen]\nask_fixtures = true")
        daemon.file.write_text(text)
        daemon.process.send_signal(signal.SIGHUP)
        daemon.says("reloaded")
        assert "not asked in show" in ask(daemon)


def test_late_packets_on_a_routes_input_rise_in_health_routes_and_metrics(tmp_path: Path) -> None:
    """Numbers within 20 behind the newest are discarded (E1.31 6.7.2)."""
    with running(tmp_path, more=route("copy", "e131/112", 'to_address = "127.0.0.1"')) as daemon:
        until(lambda: state_of(daemon, "copy"))
        assert daemon.api("/api/v1/house")["listener"]["routes_discarded_packets"] == 0
        for sequence in (10, 11, 5, 6, 7, 12):
            daemon.send(1, bytes([9]), sequence)
        until(lambda: daemon.api("/api/v1/house")["listener"]["routes_discarded_packets"] == 3)
        until(lambda: state_of(daemon, "copy")["input_discarded_packets"] == 3)  # routes are reported in turn
        with urllib.request.urlopen(f"http://127.0.0.1:{daemon.ports.page}/metrics", timeout=PATIENCE_S) as answer:
            text = answer.read().decode()
        assert "slotwatch_routes_discarded_packets_total 3.0" in text
        assert 'slotwatch_route_discarded_packets_total{route="copy"} 3.0' in text


def test_a_reload_that_changes_other_routes_costs_a_running_one_no_frame(tmp_path: Path) -> None:
    """The daemon hears its own Art-Net: nothing is missing by its sequence and no gap is long, across two reloads."""
    with running(tmp_path, more=route("node", "artnet/3", 'to_address = "127.0.0.1"')) as daemon:
        text = daemon.file.read_text()
        with desk(daemon, range(1, 3)):
            until(lambda: daemon.universe("artnet/3").get("frames", 0) > 20)
            child, before = daemon.children()["routes"], daemon.api("/api/v1/universes/artnet/3")
            for extra in (route("copy", "e131/112", 'to_address = "127.0.0.1"'), ""):
                daemon.file.write_text(text + extra)
                daemon.process.send_signal(signal.SIGHUP)
                until(lambda extra=extra: bool(state_of(daemon, "copy")) == bool(extra))
                frames = daemon.universe("artnet/3")["frames"]
                until(lambda frames=frames: daemon.universe("artnet/3").get("frames", 0) > frames + 20)
            after, sent = (daemon.api(f"/api/v1/universes/{name}") for name in ("artnet/3", "e131/1"))
            raised = {i["rule"] for i in daemon.api("/api/v1/incidents?state=all") if "artnet/3" in i["universes"]}
            assert daemon.children()["routes"] == child
            assert after["frames"] > before["frames"] + 20
            assert after["lost_frames"] == before["lost_frames"]
            assert raised <= STUTTERS, "the desk is a thread of this test"
            most_ms = max(500, sent["interval_ms"]["max"] + 500)
            assert after["interval_ms"]["max"] < most_ms, "starting again it listened for 1.1 s first"
