"""The demo: a copy of the Harbour Street house in a directory of its own, and a daemon that watches it."""

from __future__ import annotations

import contextlib
import ctypes
import http.client
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Self, TypeVar

from slotwatch.edge.shared.files import load_house
from slotwatch.edge.shared.shipped import directory
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House

READY = "its page is http://"
"""What the daemon prints once it has opened its ports and its page."""
PORTS_TRIED = 50
STARTS_TRIED = 5
READY_WITHIN_S = 120.0
"""Only when to give up: a daemon that cannot start ends, and is heard of at once."""
STOP_WITHIN_S = 10.0

_T = TypeVar("_T")
_LIBC = ctypes.CDLL(None)
_PR_SET_PDEATHSIG = 1


def _end_with_parent() -> None:
    """In the child: have the kernel stop it if the rehearsal is killed, so that no daemon stays behind."""
    _LIBC.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


def harbour_house() -> House:
    """Load the Harbour Street house as it is shipped."""
    return load_house(directory("config") / "harbour-street" / "house.toml")


def free_port(wanted: int, kind: socket.SocketKind) -> int:
    """Return the first port from `wanted` on that the daemon could open now. EdgeError if 50 are taken."""
    # As the daemon opens them: the page on loopback, the others at every address.
    address = "127.0.0.1" if kind is socket.SOCK_STREAM else ""
    for port in range(wanted, wanted + PORTS_TRIED):
        with socket.socket(socket.AF_INET, kind) as probe:
            if kind is socket.SOCK_STREAM:
                # As the page's own server does: a port whose last connections still linger is free.
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((address, port))
            except OSError:
                continue
            return port
    raise EdgeError(f"ports {wanted} to {wanted + PORTS_TRIED - 1} are all taken", "end what holds them: ss -lnp")


class Demo:
    """A daemon on a copy of the demo house; everything ends with the `with` block."""

    def __init__(self) -> None:
        self.remarks: list[str] = []
        self._directory = Path(tempfile.mkdtemp(prefix="slotwatch-demo-"))
        self._child: subprocess.Popen[bytes] | None = None
        self._file = self._directory / "house.toml"
        self._log = self._directory / "serve.log"

    def __enter__(self) -> Self:
        try:
            self._start_where_free(STARTS_TRIED)
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _start_where_free(self, tries: int) -> None:
        """Start at free ports. Another program, such as a second demo, may open one after it was looked for."""
        self._prepare()
        try:
            self._start()
        except EdgeError:
            if tries <= 1 or not self._has_lost_a_port():
                raise
            self._start_where_free(tries - 1)

    def _has_lost_a_port(self) -> bool:
        """Whether the daemon ended, and a port that was free for it is another's."""
        if self._child is None or self._child.poll() is None:
            return False
        wanted = [(socket.SOCK_DGRAM, self.e131_port), (socket.SOCK_DGRAM, self.artnet_port)]
        wanted.append((socket.SOCK_STREAM, self.house.http.port))
        return any(free_port(port, kind) != port for kind, port in wanted)

    def _prepare(self) -> None:
        self.remarks.clear()
        shutil.copytree(directory("config") / "harbour-street", self._directory, dirs_exist_ok=True)
        text = self._file.read_text(encoding="utf-8")
        for pattern, kind, what in (
            (r'(listen = "127\.0\.0\.1:)(\d+)', socket.SOCK_STREAM, "the page"),
            (r"(e131_port = )(\d+)", socket.SOCK_DGRAM, "rehearsed E1.31"),
            (r"(artnet_port = )(\d+)", socket.SOCK_DGRAM, "rehearsed Art-Net"),
        ):
            text = self._moved(text, pattern, kind, what)
        self._file.write_text(text, encoding="utf-8")
        self.house = load_house(self._file)
        self.e131_port, self.artnet_port = self.house.listen.e131_port, self.house.listen.artnet_port
        self.url = f"http://127.0.0.1:{self.house.http.port}/"

    def _moved(self, text: str, pattern: str, kind: socket.SocketKind, what: str) -> str:
        found = re.search(pattern, text)
        if found is None:
            raise EdgeError(f"the demo house declares no port for {what}", "install slotwatch again")
        wanted = int(found[2])
        port = free_port(wanted, kind)
        if port == wanted:
            return text
        self.remarks.append(f"port {wanted} is taken: {what} uses {port}")
        return text[: found.start(2)] + str(port) + text[found.end(2) :]

    def _start(self) -> None:
        with self._log.open("wb") as log:
            self._child = subprocess.Popen(
                [sys.executable, "-m", "slotwatch.cli", "serve", "-c", str(self._file)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd=self._directory,
                # Ctrl-C reaches only the rehearsal, which closes its streams first and then ends the daemon.
                start_new_session=True,
                preexec_fn=_end_with_parent,
            )
        deadline_s = time.monotonic() + READY_WITHIN_S
        while not self._answers():
            self.check()
            if time.monotonic() > deadline_s:
                raise EdgeError(f"the daemon did not answer within {READY_WITHIN_S:g} s", self._last_line())
            time.sleep(0.1)

    def _answers(self) -> bool:
        if READY not in self._log.read_text(errors="replace"):
            return False  # who answers at its page's port is another program
        connection = http.client.HTTPConnection("127.0.0.1", self.house.http.port, timeout=1.0)
        try:
            connection.request("GET", "/readyz")
            return connection.getresponse().status == 200
        except (OSError, http.client.HTTPException):
            return False
        finally:
            connection.close()

    def _last_line(self) -> str:
        lines = self._log.read_text(errors="replace").strip().splitlines() if self._log.exists() else []
        return lines[-1] if lines else "it printed nothing"

    def check(self) -> None:
        """EdgeError with the daemon's own last words if it has ended."""
        if self._child is not None and self._child.poll() is not None:
            raise EdgeError(f"the daemon ended with status {self._child.returncode}", self._last_line())

    def alive(self, items: Iterator[_T]) -> Iterator[_T]:
        """Pass items on for as long as the daemon lives (looked at every thousand of them)."""
        for count, item in enumerate(items):
            if count % 1000 == 0:
                self.check()
            yield item

    def close(self) -> None:
        """End the daemon by its own id and forget the copy."""
        child, self._child = self._child, None
        if child is not None and child.poll() is None:
            child.terminate()
            try:
                child.wait(STOP_WITHIN_S)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()
        with contextlib.suppress(OSError):
            shutil.rmtree(self._directory)
