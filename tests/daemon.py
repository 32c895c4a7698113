"""A running daemon for tests: a house on loopback at free ports, its processes, its page."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
import weakref
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from sacn.messages.data_packet import DataPacket

from tests.patience import PATIENCE_S, until
from tests.ports import free_port

CID = tuple(b"slotwatch-tests0")
STUTTERS = {"uneven-refresh", "slow-refresh", "fast-refresh", "host-overrun"}
"""What a desk that is a thread of a busy test does by itself, and what a computer that is so busy says of itself."""
ASKED_AGAIN_S = 5.0
"""Where a question is asked until it is answered: a process that was ended may leave one without an answer."""
ACCOUNT_WITHIN_S = 2.0
"""A daemon that does not answer by then has no more to say of why a test failed."""
STARTED: weakref.WeakSet[Daemon] = weakref.WeakSet()
"""Daemons that somebody holds: what they say is added to a failure."""
HEARD = ("steady", "at-rest", "faulty")
"""States of a universe that arrives: while such a desk stutters it is faulty."""


@dataclass
class Ports:
    e131: int = field(default_factory=lambda: free_port(socket.SOCK_DGRAM))
    artnet: int = field(default_factory=lambda: free_port(socket.SOCK_DGRAM))
    page: int = field(default_factory=lambda: free_port(socket.SOCK_STREAM))


def house_text(ports: Ports, universes: range = range(1, 3), more: str = "") -> str:
    declared = "".join(f'\n[[universes]]\nprotocol = "e131"\nnumber = {number}\n' for number in universes)
    return f"""
[house]
name = "Test house"
phase = "show"

[listen]
interfaces = ["lo"]
e131_port = {ports.e131}
artnet_port = {ports.artnet}

[http]
listen = "127.0.0.1:{ports.page}"

[history]
path = "history.db"
{more}
{declared}"""


@dataclass(eq=False)
class Daemon:
    """`slotwatch serve` as a user starts it."""

    file: Path
    ports: Ports
    process: subprocess.Popen[str]
    printed: list[str]
    reader: threading.Thread | None = None
    """Fills `printed`, until every process of the daemon has closed its output."""

    def __post_init__(self) -> None:
        STARTED.add(self)

    def api(self, path: str, within_s: float = PATIENCE_S) -> Any:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.ports.page}{path}", timeout=within_s) as answer:
            return json.load(answer)

    def order(self, method: str, path: str, body: Any = None) -> Any:
        """Change something; the answer."""
        headers = {"Content-Type": "application/json"}
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(f"http://127.0.0.1:{self.ports.page}{path}", data, headers, method=method)
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
            return json.load(answer)

    def get(self, path: str) -> Any:
        """As `api`, or None while nothing answers."""
        try:
            return self.api(path, ASKED_AGAIN_S)
        except (OSError, http.client.HTTPException):
            return None

    def universe(self, name: str) -> dict[str, Any]:
        found = self.get("/api/v1/universes") or []
        return next((u for u in found if u["universe"] == name), {})

    def judges_for(self, seconds: int) -> None:
        """Wait until it has judged for so much longer, by its own time."""
        before_s = self.api("/api/v1/house")["uptime_s"]
        until(lambda: (self.get("/api/v1/house") or {"uptime_s": 0})["uptime_s"] > before_s + seconds)

    def children(self) -> dict[str, int]:
        """Role to process number of every child that lives now."""
        found = {}
        for place in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError, IndexError, ValueError):
                if int((place / "stat").read_text().rpartition(")")[2].split()[1]) == self.process.pid:
                    words = (place / "cmdline").read_text().split("\0")
                    found[words[words.index("slotwatch.process") + 1]] = int(place.name)
        return found

    def log(self) -> str:
        """What it has printed: all of it once it has ended, else what has come until now. See `says`."""
        if self.reader is not None and self.process.poll() is not None:
            self.reader.join(PATIENCE_S)
        return "\n".join(self.printed)

    def says(self, words: str, times: int = 1) -> None:
        """Wait until it has printed these words. A thread reads what it prints: it may come later than its effect."""
        until(lambda: self.log().count(words) >= times)

    def account(self) -> str:
        """What a failure needs: its log, and what its page says now if it answers."""
        lines = [f"daemon of {self.file}, ports {self.ports}, status {self.process.poll()}:", *self.printed]
        for path in ("/api/v1/house", "/api/v1/universes", "/api/v1/incidents?state=all"):
            with contextlib.suppress(OSError, ValueError, http.client.HTTPException):
                lines.append(f"{path}: {json.dumps(self.api(path, ACCOUNT_WITHIN_S))}")
        return "\n".join(lines)

    def send(self, universe: int, levels: bytes, sequence: int) -> None:
        packet = DataPacket(CID, "test desk", universe, tuple(levels.ljust(512, b"\0")), sequence=sequence)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.sendto(bytes(packet.getBytes()), ("127.0.0.1", self.ports.e131))

    def stop(self) -> int:
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(PATIENCE_S)


def is_alive(pid: int) -> bool:
    """Whether this process runs: one that has ended and that nobody waited for does not."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def start(
    file: Path,
    ports: Ports,
    *,
    ready: bool = True,
    environment: dict[str, str] | None = None,
    words: Sequence[str] = (),
) -> Daemon:
    """Start the daemon, and wait until it says that it watches. `words`: instead of the house file."""
    process = subprocess.Popen(
        [sys.executable, "-m", "slotwatch.cli", "serve", *(words or ("-c", str(file)))],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=file.parent,
        env={**os.environ, **(environment or {})},
    )
    printed: list[str] = []
    output = process.stdout
    assert output is not None

    def listen() -> None:
        with output:
            for line in output:
                printed.append(line.rstrip())  # noqa: PERF401 - read while it is being written

    reader = threading.Thread(target=listen, daemon=True)
    reader.start()
    daemon = Daemon(file, ports, process, printed, reader)
    if ready:
        try:
            until(lambda: "its page is" in daemon.log() or process.poll() is not None, 2 * PATIENCE_S)
            assert process.poll() is None, daemon.log()
        except BaseException:
            process.kill()
            process.wait()
            print(daemon.account(), file=sys.stderr, flush=True)
            raise
    return daemon


@contextlib.contextmanager
def ended(daemon: Daemon) -> Iterator[Daemon]:
    """A daemon that is surely gone after the block. Where the block fails, what the daemon says is printed first."""
    try:
        yield daemon
    except BaseException:
        print(daemon.account(), file=sys.stderr, flush=True)
        raise
    finally:
        if daemon.process.poll() is None:
            daemon.process.kill()
            daemon.process.wait()


@contextlib.contextmanager
def running(directory: Path, ports: Ports | None = None, **house: Any) -> Iterator[Daemon]:
    """A daemon that lives for one test and ends cleanly."""
    ports = ports or Ports()
    file = directory / "house.toml"
    file.write_text(house_text(ports, **house))
    with ended(start(file, ports)) as daemon:
        yield daemon
        assert daemon.stop() == 0, daemon.log()


@contextlib.contextmanager
def desk(to: Daemon | Ports, universes: range, rate_hz: float = 40.0) -> Iterator[dict[int, int]]:
    """A desk that fades on these universes while the block runs; gives the count of frames sent of each.

    to: ports, where it is to play before the daemon starts. What is declared and not there 10 s after that is missing.
    """
    port = (to if isinstance(to, Ports) else to.ports).e131
    packets = {}
    for number in universes:
        packet = DataPacket(CID, "test desk", number, (0,) * 512)
        packets[number] = bytearray(packet.getBytes())
    sent = dict.fromkeys(universes, 0)
    over = threading.Event()

    def play() -> None:
        began_s = time.monotonic()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            frame = 0
            while not over.wait(max(0.0, began_s + frame / rate_hz - time.monotonic())):
                for number, packet in packets.items():
                    packet[111] = frame & 0xFF
                    packet[126:] = ((np.arange(512) + 5 * frame) % 256).astype(np.uint8).tobytes()
                    sock.sendto(packet, ("127.0.0.1", port))
                    sent[number] += 1
                frame += 1

    thread = threading.Thread(target=play, daemon=True)
    thread.start()
    try:
        yield sent
    finally:
        over.set()
        thread.join()
