"""`rehearse demo` from start to end: ports that are taken, the page, the end by Ctrl-C and by a kill."""

from __future__ import annotations

import json
import re
import signal
import socket
import subprocess
import sys
import threading
import unittest.mock
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from slotwatch.edge.tools import demo as module
from slotwatch.edge.tools.demo import free_port
from slotwatch.errors import EdgeError
from tests.net.namespace import inside
from tests.patience import PATIENCE_S, until


@contextmanager
def taken(kind: socket.SocketKind) -> Iterator[int]:
    with socket.socket(socket.AF_INET, kind) as holder:
        holder.bind(("127.0.0.1", 0))
        if kind is socket.SOCK_STREAM:
            holder.listen()
        yield holder.getsockname()[1]


@pytest.mark.parametrize("kind", [socket.SOCK_STREAM, socket.SOCK_DGRAM])
def test_taken_port_gives_the_next_free_one(kind: socket.SocketKind) -> None:
    with taken(kind) as port:
        assert free_port(port, kind) > port


def test_no_free_port_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("slotwatch.edge.tools.demo.PORTS_TRIED", 1)
    with taken(socket.SOCK_DGRAM) as port, pytest.raises(EdgeError, match="are all taken"):
        free_port(port, socket.SOCK_DGRAM)


@contextmanager
def demo(directory: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A running demo, and the address of its page."""
    child = subprocess.Popen(
        [sys.executable, "-m", "slotwatch.cli", "rehearse", "demo"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={"PYTHONUNBUFFERED": "1", "TMPDIR": str(directory), "PATH": "/usr/bin:/bin"},
    )
    with child:
        try:
            yield child, _address(child)
        finally:
            child.kill()


def _address(child: subprocess.Popen[str]) -> str:
    assert child.stdout is not None and child.stderr is not None
    lines = []
    for line in child.stdout:
        lines.append(line)
        if found := re.search(r"http://127\.0\.0\.1:\d+/", line):
            return found[0]
    raise AssertionError(f"the demo ended: {lines} {child.stderr.read()}")


def fetched(url: str) -> object:
    with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
        return json.load(answer)


def closes(url: str) -> None:
    """Wait until the page's port is given up."""
    port = int(url.rsplit(":", 1)[1].rstrip("/"))

    def is_refused() -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", port)) != 0

    until(is_refused)


def plays_to_its_end(place: Path) -> None:
    with demo(place) as (child, url):

        def heard() -> set[str]:
            sources = fetched(f"{url}api/v1/sources")
            assert isinstance(sources, list)
            return {each["declared_as"] for each in sources}

        until(lambda: len(heard()) >= 3)
        assert heard() == {"main desk", "backup desk", "media server"}, heard()
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=PATIENCE_S)
        assert child.returncode == 0, err
        assert "packets sent" in err and "Traceback" not in out + err, (out, err)
        closes(url)
    left = list(place.iterdir())
    assert not left, f"the copy of the house was left behind: {left}"


def is_killed(place: Path) -> None:
    with demo(place) as (child, url):
        child.kill()
        child.wait()
        closes(url)


def is_late_for_its_ports() -> None:
    """Another demo opens the page's usual port after this one has found it free, and its page answers there."""

    class Other(BaseHTTPRequestHandler):
        def do_GET(self) -> None:  # the library's name
            self.send_response(200)
            self.end_headers()

    found: list[int] = []

    def late(wanted: int, kind: socket.SocketKind) -> int:
        found.append(wanted if wanted not in found else free_port(wanted, kind))
        return found[-1]

    with (
        ThreadingHTTPServer(("127.0.0.1", 8580), Other) as other,
        unittest.mock.patch.object(module, "free_port", late),
    ):
        threading.Thread(target=other.serve_forever, daemon=True).start()
        with module.Demo() as made:
            assert made.url != "http://127.0.0.1:8580/"
            assert made.remarks == [f"port 8580 is taken: the page uses {made.house.http.port}"]
            assert fetched(f"{made.url}api/v1/house")
        other.shutdown()


def in_a_network_of_its_own(what: str, *places: Path) -> None:
    """The demo takes its usual ports, which on this computer may be another's."""
    given = ", ".join(f"Path({str(place)!r})" for place in places)
    inside(f"from pathlib import Path\nfrom {__name__} import {what}\n{what}({given})\nprint('{{}}')")


@pytest.mark.net
@pytest.mark.slow
def test_demo_shows_its_sources_and_leaves_nothing_behind(tmp_path: Path) -> None:
    in_a_network_of_its_own("plays_to_its_end", tmp_path)


@pytest.mark.net
def test_killed_demo_takes_its_daemon_with_it(tmp_path: Path) -> None:
    in_a_network_of_its_own("is_killed", tmp_path)


@pytest.mark.net
def test_a_port_that_is_taken_after_the_look_gives_another() -> None:
    in_a_network_of_its_own("is_late_for_its_ports")
