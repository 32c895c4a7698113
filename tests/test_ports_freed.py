"""A daemon whose parent is killed leaves nobody on a port: timed, so it is in the row of what goes by the clock."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.daemon import Ports, ended, house_text, is_alive, start
from tests.patience import until
from tests.ports import free_port, is_free

FREED_WITHIN_S = 0.05
"""Issue of the processes: nothing orphaned holds a port for longer."""


def _freed_after_s(directory: Path) -> float:
    """Start a daemon, kill -9 its parent, and say after how long every port could be bound again."""
    ports, file = Ports(), directory / "house.toml"
    file.write_text(house_text(ports))
    with ended(start(file, ports)) as daemon:
        children = daemon.children()
        os.kill(daemon.process.pid, signal.SIGKILL)
        killed_s = time.monotonic()
        wanted = [
            (socket.SOCK_DGRAM, ports.e131),
            (socket.SOCK_DGRAM, ports.artnet),
            (socket.SOCK_STREAM, ports.page),
        ]
        while not all(is_free(kind, port) for kind, port in wanted):
            assert time.monotonic() - killed_s < 5.0
        freed_s = time.monotonic() - killed_s
    until(lambda: not any(is_alive(pid) for pid in children.values()), 5.0)
    return freed_s


PLAIN_PARENT = """
import subprocess, sys
children = [subprocess.Popen([sys.executable, "-c", '''
import ctypes, socket, sys, threading, time
ctypes.CDLL(None).prctl(1, 9)
sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
sock.bind(("0.0.0.0", int(sys.argv[1])))
held = b"x" * (50 << 20)
for _ in range(4):
    threading.Thread(target=time.sleep, args=(60,), daemon=True).start()
print("bound", flush=True)
time.sleep(60)
''', port]) for port in sys.argv[1:]]
for child in children:
    child.wait()
"""
CALM_S = 0.025
"""Plain processes, as many and as large as those of the daemon, free their ports in so long where it can be timed."""


def _plainly_freed_after_s() -> float:
    """The same measurement of processes that do nothing: what this computer itself needs now."""
    ports = [free_port(socket.SOCK_DGRAM) for _ in range(3)]
    words = [sys.executable, "-c", PLAIN_PARENT, *map(str, ports)]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as plain:
        assert plain.stdout is not None
        for _ in ports:
            plain.stdout.readline()
        plain.kill()
        killed_s = time.monotonic()
        while not all(is_free(socket.SOCK_DGRAM, port) for port in ports):
            assert time.monotonic() - killed_s < 5.0
        return time.monotonic() - killed_s


def test_a_killed_parent_leaves_nobody_on_a_port(tmp_path: Path) -> None:
    """Kill -9 of the parent: every port is free 50 ms later, every child is gone.

    Timed only while the computer is calm enough: beside others' work even processes that do nothing take long
    to end. Whether all ports become free is tested in any case.
    """
    freed_s, plain_s = [], []
    for _ in range(5):
        plain_s.append(_plainly_freed_after_s())
        freed_s.append(_freed_after_s(tmp_path))
        if freed_s[-1] < FREED_WITHIN_S:
            return
    if min(plain_s) > CALM_S:
        pytest.skip(f"this computer is too busy to time 50 ms: plain processes took {min(plain_s) * 1000:.0f} ms")
    pytest.fail(f"ports were free after {freed_s} s, those of plain processes after {plain_s} s")
