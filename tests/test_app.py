"""The processes together: started, watched, killed one after the other, reloaded, stopped."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from slotwatch.views.moments import read_iso
from tests.daemon import Daemon, Ports, desk, ended, house_text, is_alive, running, start
from tests.patience import PATIENCE_S, until
from tests.ports import free_port, is_free
from tests.surroundings import short_directory


def _restarted(daemon: Daemon, role: str, before: int) -> int:
    return int(until(lambda: (now := daemon.children().get(role)) not in (None, before) and now))


def _is_heard(daemon: Daemon) -> bool:
    """Universe 1 has frames and is not silent. On a busy computer this test's own desk may stutter: `faulty`.

    It is `returning` while universe 2, which was missing with it, is missing still.
    """
    universe = daemon.universe("e131/1")
    return universe.get("frames", 0) > 0 and universe["state"] in ("steady", "at-rest", "faulty", "returning")


def _incident(daemon: Daemon, rule: str) -> dict[str, Any]:
    """The open incident of a rule, empty if there is none."""
    return next((i for i in daemon.get("/api/v1/incidents?state=open") or [] if i["rule"] == rule), {})


def test_a_packet_on_the_wire_is_a_universe_on_the_page(tmp_path: Path) -> None:
    """The whole chain: socket, ring, engine, snapshot buffer, HTTP; and a clean end."""
    with running(tmp_path) as daemon, desk(daemon, range(1, 3)):
        universe = until(lambda: _is_heard(daemon) and daemon.universe("e131/1"))
        assert universe["frames"] > 0
        daemon.says(f"its page is http://127.0.0.1:{daemon.ports.page}/")
        children = daemon.children()
        assert set(children) == {"intake", "judging", "front"}
        # The parent is small: it loads neither numpy nor the HTTP server.
        parent = Path(f"/proc/{daemon.process.pid}/maps").read_text()
        assert {name for name in ("numpy", "aiohttp", "_ssl") if name in parent} == set()
    assert not any(is_alive(pid) for pid in children.values())
    assert is_free(socket.SOCK_DGRAM, daemon.ports.e131)


def test_a_second_one_says_once_why_it_cannot_start_and_which_process_to_end(running_house: Daemon) -> None:
    """Its page is tried for some seconds. The process that is named is the parent: its parts are started again."""
    command = [sys.executable, "-m", "slotwatch.cli", "serve", "-c", str(running_house.file)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode == 2
    assert "history" not in done.stderr
    assert f"by slotwatch (process {running_house.process.pid})" in done.stderr.splitlines()[-1]


def test_ctrl_c_for_the_whole_group_ends_it_cleanly(tmp_path: Path) -> None:
    ports, file = Ports(), tmp_path / "house.toml"
    file.write_text(house_text(ports))
    with ended(start(file, ports)) as daemon:
        for pid in (daemon.process.pid, *daemon.children().values()):
            os.kill(pid, signal.SIGINT)
        assert daemon.process.wait(PATIENCE_S) == 0
        assert "ended" not in daemon.log()


def test_a_killed_front_is_started_again_and_no_packet_is_lost(tmp_path: Path) -> None:
    with running(tmp_path) as daemon:
        with desk(daemon, range(1, 3)) as sent:
            until(lambda: _is_heard(daemon))
            before = daemon.children()["front"]
            os.kill(before, signal.SIGKILL)
            _restarted(daemon, "front", before)
            until(lambda: _is_heard(daemon))
        # Of each by itself: a snapshot may have been taken between the last packets of the two.
        for number in (1, 2):
            until(lambda n=number: daemon.universe(f"e131/{n}").get("frames") == sent[n])
        daemon.says("front ended (by SIGKILL); starting it again")


def test_a_page_process_that_hangs_is_restarted(tmp_path: Path) -> None:
    with running(tmp_path) as daemon:
        front = daemon.children()["front"]
        os.kill(front, signal.SIGSTOP)
        until(lambda: daemon.children().get("front") not in (None, front))
        until(lambda: daemon.get("/api/v1/house"))
        daemon.says("front has made no progress for")


@pytest.mark.parametrize("is_gone", [False, True])
def test_who_reads_the_log_and_stands_still_or_goes_holds_nothing_up(tmp_path: Path, is_gone: bool) -> None:
    """As a paused terminal, or `slotwatch serve | tee log` without its tee: a fault is found, and a stop is clean."""
    ports, file = Ports(), tmp_path / "house.toml"
    file.write_text(house_text(ports))
    read, write = os.pipe2(os.O_CLOEXEC)
    command = [sys.executable, "-m", "slotwatch.cli", "serve", "-c", str(file)]
    process = subprocess.Popen(command, stdout=write, stderr=write, cwd=tmp_path)
    with ended(Daemon(file, ports, process, [])) as daemon:
        until(lambda: (daemon.get("/api/v1/house") or {}).get("uptime_s"), 2 * PATIENCE_S)
        if is_gone:
            os.close(read)
        else:
            os.set_blocking(write, False)
            with contextlib.suppress(BlockingIOError):
                while os.write(write, b"x"):
                    pass
            os.set_blocking(write, True)
        with desk(daemon, range(1, 3)):
            until(lambda: _is_heard(daemon))
        until(lambda: _incident(daemon, "universe-lost"))
        assert daemon.stop() == 0
    os.close(write)
    if not is_gone:
        os.close(read)


def test_a_killed_intake_is_restarted_and_what_it_missed_raises_no_fault_of_the_show(tmp_path: Path) -> None:
    ports = Ports()
    with desk(ports, range(1, 3)) as sent, running(tmp_path, ports) as daemon:
        until(lambda: _is_heard(daemon))
        before = daemon.children()["intake"]
        os.kill(before, signal.SIGKILL)
        _restarted(daemon, "intake", before)
        mark = sent[1]
        until(lambda: sent[1] > mark + 40)
        until(lambda: _is_heard(daemon))
        daemon.says("intake ended (by SIGKILL); starting it again")
        raised = {i["rule"]: i for i in daemon.api("/api/v1/incidents?state=all")}
        blaming = raised.keys() & {"universe-lost", "packet-loss", "universe-missing"}
        assert not blaming, (raised, daemon.api("/api/v1/house")["listener"]["not_judged"])


@pytest.fixture(scope="module")
def incomplete(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """A daemon of which universe 2 is declared and never sent: missing 10 s after the start."""
    with running(tmp_path_factory.mktemp("incomplete")) as daemon, desk(daemon, range(1, 2)):
        until(lambda: _incident(daemon, "universe-missing"))
        yield daemon


def test_a_killed_judging_is_started_again_with_the_incidents_it_had(incomplete: Daemon) -> None:
    daemon = incomplete
    incident = until(lambda: _incident(daemon, "universe-missing"))
    before, killed_ns = daemon.children()["judging"], time.time_ns()
    os.kill(before, signal.SIGKILL)
    _restarted(daemon, "judging", before)

    def is_new() -> bool:
        """Whether what is read is of the new one, and it has judged for a second."""
        house = daemon.get("/api/v1/house")
        began_ns = house and read_iso(house["at"]) - house["uptime_s"] * 10**9
        return bool(house and house["uptime_s"] >= 1 and began_ns >= killed_ns)

    until(is_new)
    until(lambda: _is_heard(daemon))
    after = until(lambda: _incident(daemon, "universe-missing"))
    assert {key: after[key] for key in ("id", "began_at", "opened_at")} == {
        key: incident[key] for key in ("id", "began_at", "opened_at")
    }
    daemon.says("judging ended (by SIGKILL); starting it again")


def test_judging_asleep_for_half_a_second_loses_nothing(tmp_path: Path) -> None:
    with running(tmp_path) as daemon:
        with desk(daemon, range(1, 3), rate_hz=400) as sent:
            until(lambda: daemon.universe("e131/1").get("frames"))
            os.kill(daemon.children()["judging"], signal.SIGSTOP)
            time.sleep(0.5)
            os.kill(daemon.children()["judging"], signal.SIGCONT)
        until(lambda: daemon.universe("e131/1").get("frames") == sent[1])
        assert daemon.universe("e131/1")["lost_frames"] == 0


@pytest.fixture(scope="module")
def reloaded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """One daemon for all refused house files."""
    with running(tmp_path_factory.mktemp("reloaded")) as daemon:
        yield daemon


@pytest.fixture
def running_house(reloaded: Daemon) -> Daemon:
    """That daemon with the first house, whatever a test before left it with."""
    reloaded.file.write_text(house_text(reloaded.ports))
    assert reloaded.order("POST", "/api/v1/house/reload")["reloaded"]
    assert len(reloaded.api("/api/v1/universes")) == 2
    return reloaded


def test_a_refused_reload_keeps_the_running_house_and_the_page_says_so(running_house: Daemon) -> None:
    daemon = running_house
    good = daemon.file.read_text()
    daemon.file.write_text(good.replace("[listen]", "[lisen]"))
    daemon.process.send_signal(signal.SIGHUP)
    faults = until(lambda: (daemon.get("/api/v1/house") or {}).get("faults"))
    assert any("lisen" in fault and "listen" in fault for fault in faults)
    daemon.says("the house file was refused; the running house continues")
    # A process that is started while the file is broken continues with the house that runs.
    before = daemon.children()["judging"]
    os.kill(before, signal.SIGKILL)
    _restarted(daemon, "judging", before)
    until(lambda: (daemon.get("/api/v1/house") or {}).get("faults") == faults)
    daemon.file.write_text(house_text(daemon.ports, range(1, 6)))
    daemon.process.send_signal(signal.SIGHUP)
    until(lambda: daemon.universe("e131/5"))
    until(lambda: (daemon.get("/api/v1/house") or {}).get("faults") == [])


def test_a_reload_keeps_what_is_known_of_streams(tmp_path: Path) -> None:
    with running(tmp_path) as daemon:
        with desk(daemon, range(1, 3)) as sent:
            until(lambda: _is_heard(daemon))
            daemon.file.write_text(house_text(daemon.ports, range(1, 4)))
            daemon.process.send_signal(signal.SIGHUP)
            until(lambda: daemon.universe("e131/3"))
        until(lambda: daemon.universe("e131/1").get("frames") == sent[1])


def test_a_reload_takes_the_page_away_from_nobody(tmp_path: Path) -> None:
    """Of requests all the time, none is refused; listeners stay connected; the next request gets the new house."""
    with running(tmp_path) as daemon, desk(daemon, range(1, 3)):
        until(lambda: _is_heard(daemon))
        front = daemon.children()["front"]
        over, refused, answered = threading.Event(), list[str](), list[int]()

        def ask() -> None:
            while not over.wait(0.002):
                try:
                    answered.append(len(daemon.api("/api/v1/universes")))
                except OSError as error:
                    refused.append(repr(error))

        asking = threading.Thread(target=ask)
        asking.start()
        try:
            with urllib.request.urlopen(
                f"http://127.0.0.1:{daemon.ports.page}/api/v1/events", timeout=PATIENCE_S
            ) as events:
                assert events.readline().startswith(b"retry:")
                for last in (3, 4, 5):
                    daemon.file.write_text(house_text(daemon.ports, range(1, last + 1)))
                    assert daemon.order("POST", "/api/v1/house/reload")["reloaded"]
                    assert daemon.api(f"/api/v1/universes/e131/{last}")["declared"]
                daemon.process.send_signal(signal.SIGHUP)
                daemon.says("reloaded ", 4)
                while b"e131/5" not in events.readline():
                    pass
        finally:
            over.set()
            asking.join()
        assert refused == []
        assert answered[0] == 2 and answered[-1] == 5
        assert daemon.children()["front"] == front


def test_what_was_ordered_is_what_the_next_read_says(incomplete: Daemon) -> None:
    daemon = incomplete
    place = f"/api/v1/incidents/{until(lambda: _incident(daemon, 'universe-missing'))['id']}"
    for round_ in range(4):
        phase = ("pre-show", "show")[round_ % 2]
        daemon.order("PUT", "/api/v1/house/phase", {"phase": phase, "confirm": True})
        assert daemon.api("/api/v1/house")["phase"] == phase
        answer = daemon.order("POST", f"{place}/acknowledge", {"by": "Ann", "note": f"round {round_}"})
        assert answer["acknowledged"]["note"] == f"round {round_}" and "board" not in answer
        assert daemon.api(place)["acknowledged"] == answer["acknowledged"]
        daemon.order("DELETE", f"{place}/acknowledge")
        assert daemon.api(place)["acknowledged"] is None


def test_a_house_whose_page_cannot_open_is_refused_as_a_whole(running_house: Daemon) -> None:
    daemon = running_house
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        taken = other.getsockname()[1]
        text = house_text(daemon.ports, range(1, 4))
        daemon.file.write_text(text.replace(f":{daemon.ports.page}", f":{taken}"))
        daemon.process.send_signal(signal.SIGHUP)
        faults = until(lambda: (daemon.get("/api/v1/house") or {}).get("faults"))
        assert f"cannot open 127.0.0.1:{taken} for the page" in faults[0]
        assert daemon.universe("e131/3") == {}
        moved = free_port(socket.SOCK_STREAM)
        daemon.file.write_text(text.replace(f":{daemon.ports.page}", f":{moved}"))
        daemon.process.send_signal(signal.SIGHUP)
        daemon.ports.page = moved
        until(lambda: daemon.universe("e131/3"))
        until(lambda: (daemon.get("/api/v1/house") or {}).get("faults") == [])


def test_a_reload_that_the_computer_refuses_is_rolled_back(running_house: Daemon) -> None:
    """The file is right, but its new port is another program's."""
    daemon = running_house
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("0.0.0.0", 0))
        text = daemon.file.read_text()
        taken = other.getsockname()[1]
        daemon.file.write_text(text.replace(f"e131_port = {daemon.ports.e131}", f"e131_port = {taken}"))
        daemon.process.send_signal(signal.SIGHUP)
        faults = until(lambda: (daemon.get("/api/v1/house") or {}).get("faults"))
        assert f"UDP port {taken} (e131) is taken" in faults[0]
        with desk(daemon, range(1, 2)):
            until(lambda: _is_heard(daemon))


def _refused(file: Path) -> tuple[int, list[str]]:
    done = subprocess.run(
        [sys.executable, "-m", "slotwatch.cli", "serve", "-c", str(file)],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        cwd=file.parent,
    )
    assert "Traceback" not in done.stderr
    return done.returncode, done.stderr.splitlines()


def test_a_taken_port_is_one_sentence_and_status_2(tmp_path: Path) -> None:
    ports, file = Ports(), tmp_path / "house.toml"
    file.write_text(house_text(ports))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("0.0.0.0", ports.artnet))
        status, lines = _refused(file)
    assert status == 2
    assert len(lines) == 1
    assert lines[0].startswith(f"slotwatch serve: UDP port {ports.artnet} (artnet) is taken by ")


def test_a_port_that_is_freed_within_three_seconds_is_waited_for(tmp_path: Path) -> None:
    ports, file = Ports(), tmp_path / "house.toml"
    file.write_text(house_text(ports))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("0.0.0.0", ports.e131))
        daemon = start(file, ports, ready=False)
        time.sleep(1.5)
        assert daemon.process.poll() is None
    with ended(daemon):
        daemon.says("its page is")
        assert daemon.stop() == 0


def test_a_missing_interface_is_one_sentence_and_status_2(tmp_path: Path) -> None:
    file = tmp_path / "house.toml"
    file.write_text(house_text(Ports()).replace('["lo"]', '["nowhere0"]'))
    status, lines = _refused(file)
    assert status == 2
    assert len(lines) == 1
    assert "interface nowhere0 does not exist (there are: " in lines[0]
    assert "ip -brief address" in lines[0]


def test_a_house_file_with_faults_is_a_line_for_each_and_status_2(tmp_path: Path) -> None:
    file = tmp_path / "house.toml"
    file.write_text(house_text(Ports()).replace("e131_port", "e131_prt").replace('"show"', '"shwo"'))
    status, lines = _refused(file)
    assert status == 2
    assert len(lines) == 2, lines


def test_a_page_for_others_whose_token_cannot_be_read_is_reported_at_the_start(tmp_path: Path) -> None:
    ports, file = Ports(), tmp_path / "house.toml"
    listen = f'listen = "127.0.0.1:{ports.page}"'
    open_page = f'listen = "0.0.0.0:{ports.page}"\ntoken_file = "token"'
    file.write_text(house_text(ports).replace(listen, open_page))
    with ended(start(file, ports)) as daemon:
        daemon.says(f"The token file {tmp_path / 'token'} cannot be read (No such file or directory)")
        (tmp_path / "token").write_text("secret")
        daemon.process.send_signal(signal.SIGHUP)
        daemon.says("reloaded ")
        assert daemon.log().count("cannot be read") == 1
        # The running page takes the token that is there now.
        headers = {"Authorization": "Bearer secret", "Content-Type": "application/json"}
        place = f"http://127.0.0.1:{ports.page}/api/v1/house/phase"
        request = urllib.request.Request(place, b'{"phase": "pre-show", "confirm": true}', headers, method="PUT")
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
            assert answer.status == 200
        assert daemon.stop() == 0


def test_systemd_hears_of_ready_reload_and_stop_in_their_order(tmp_path: Path) -> None:
    ports, file = Ports(), tmp_path / "house.toml"
    file.write_text(house_text(ports))
    with short_directory() as place, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(place / "notify"))
        manager.settimeout(PATIENCE_S)
        environment = {"NOTIFY_SOCKET": str(place / "notify"), "WATCHDOG_USEC": "1000000"}
        with ended(start(file, ports, environment=environment)) as daemon:
            assert manager.recv(500).decode().startswith("READY=1\n")
            # Only once it listens: the port is held.
            assert not is_free(socket.SOCK_DGRAM, ports.e131)
            _until_said(manager, "WATCHDOG=1")
            daemon.process.send_signal(signal.SIGHUP)
            _until_said(manager, "RELOADING=1")
            _until_said(manager, "READY=1")
            assert daemon.stop() == 0
            _until_said(manager, "STOPPING=1")


def _until_said(manager: socket.socket, word: str) -> None:
    """Read on until it comes; the socket's own patience ends the test."""
    while not manager.recv(500).decode().startswith(word):
        pass


@pytest.mark.parametrize("rows", ["1000", "many"])
def test_a_ring_of_a_wrong_size_is_refused(rows: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "slotwatch.cli", "serve", "-c", "x.toml", "--ring-rows", rows],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_free_ports_are_free() -> None:
    """The helper's own promise, on which every test here relies."""
    assert is_free(socket.SOCK_DGRAM, free_port(socket.SOCK_DGRAM))


def test_routes_run_in_a_process_of_their_own_that_outlives_page_and_diagnosis(tmp_path: Path) -> None:
    """E1.31 in, Art-Net out to loopback, where this same daemon hears it."""
    route = '[[routes]]\nname = "tower"\nfrom = "e131/1"\nto = "artnet/3"\nto_address = "127.0.0.1"\n'
    with running(tmp_path, more=route) as daemon, desk(daemon, range(1, 2)):
        until(lambda: daemon.universe("artnet/3").get("frames"))
        routes = daemon.children()["routes"]
        for role in ("front", "judging"):
            before = daemon.children()[role]
            os.kill(before, signal.SIGKILL)
            _restarted(daemon, role, before)
        until(lambda: daemon.universe("artnet/3").get("frames"))
        assert daemon.children()["routes"] == routes
        os.kill(routes, signal.SIGKILL)
        _restarted(daemon, "routes", routes)
        frames = until(lambda: daemon.universe("artnet/3").get("frames"))
        until(lambda: daemon.universe("artnet/3").get("frames", 0) > frames)
        # A reload without the route ends its process; what was heard stays.
        daemon.file.write_text(house_text(daemon.ports))
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: "routes" not in daemon.children())
    assert "internal fault" not in daemon.log(), daemon.log()
