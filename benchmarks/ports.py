"""How soon the ports of a killed daemon are free: `python -m benchmarks.ports`.

Kill -9 of its parent, and, in turn, of a parent whose children do nothing but hold a port and as much memory.
"""

from __future__ import annotations

import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.patience import PATIENCE_S
from tests.ports import free_port, is_free
from tests.test_ports_freed import serving

ROUNDS = 5
PLAIN_PARENT = """
import subprocess, sys
children = [subprocess.Popen([sys.executable, "-c", '''
import ctypes, os, socket, sys, threading, time
os.nice(5)
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
"""As large as the daemon's, and of the page's low rank."""


@contextmanager
def plain() -> Iterator[tuple[subprocess.Popen[bytes], Callable[[], bool]]]:
    """Processes that do nothing but hold a port, and what says whether each port could be bound now."""
    ports = [free_port(socket.SOCK_DGRAM) for _ in range(3)]
    words = [sys.executable, "-c", PLAIN_PARENT, *map(str, ports)]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        for _ in ports:
            parent.stdout.readline()
        try:
            yield parent, lambda: all(is_free(socket.SOCK_DGRAM, port) for port in ports)
        finally:
            parent.kill()


def freed_after_ms(parent: int, are_free: Callable[[], bool]) -> float:
    os.kill(parent, signal.SIGKILL)
    killed_s = time.monotonic()
    while not are_free():
        if time.monotonic() - killed_s > PATIENCE_S:
            raise SystemExit("a port is still held")
    return (time.monotonic() - killed_s) * 1e3


def main() -> None:
    freed_ms, plain_ms = [], []
    for _ in range(ROUNDS):
        with plain() as (parent, are_free):
            plain_ms.append(freed_after_ms(parent.pid, are_free))
        with tempfile.TemporaryDirectory() as directory, serving(Path(directory)) as (daemon, are_free):
            freed_ms.append(freed_after_ms(daemon.process.pid, are_free))
    print(f"ports of a killed daemon are free after {statistics.median(freed_ms):.0f} ms, at most {max(freed_ms):.0f}")
    print(f"those of plain processes after {statistics.median(plain_ms):.0f} ms, at most {max(plain_ms):.0f}")


if __name__ == "__main__":
    main()
