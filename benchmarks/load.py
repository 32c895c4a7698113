"""What the benchmarks of the live chain share: the compiled floor and sender, a daemon, and what processes cost."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

FULL_GIGABIT_HZ = 177_500
"""4,034 universes at 44 Hz: what a gigabit carries of E1.31 packets of 638 bytes."""
FULL_UNIVERSES = 4034
READY_WITHIN_S = 60.0
STANDS_STILL_S = 4.0
"""Longer than a snapshot takes on a computer that is busy with the load itself."""


@dataclass(frozen=True)
class Programs:
    """The compiled floor and sender."""

    floor: Path
    sender: Path


def compiled(directory: Path) -> Programs:
    """Compile the floor and the sender on the spot, so that all ran on the same computer."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        raise SystemExit("a C compiler is needed for the floor: sudo apt-get install gcc libc6-dev")
    made = Programs(directory / "floor", directory / "sender")
    for program in (made.floor, made.sender):
        source = Path(__file__).with_name(f"{program.name}.c")
        subprocess.run([compiler, "-O2", "-o", program, source], check=True)
    return made


def free_port(kind: socket.SocketKind = socket.SOCK_DGRAM) -> int:
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def send(programs: Programs, port: int, universes: int, rate_hz: float, seconds: float, how: str = "plain") -> int:
    """Send at a rate for so long; returns how many packets were sent. how: as `sender.c` says."""
    words = [str(programs.sender), str(port), str(universes), str(int(rate_hz)), str(seconds), how]
    return int(subprocess.run(words, check=True, capture_output=True, text=True).stdout)


@dataclass(frozen=True)
class Floor:
    """What the floor did with a load."""

    cpu_us: float
    """A packet."""
    sent: int
    lost: int


def floor(programs: Programs, universes: int, rate_hz: float, seconds: float) -> Floor:
    """Give the floor a load of its own."""
    port = free_port()
    words = [str(programs.floor), str(port), str(seconds + 1.5)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as receiver:
        assert receiver.stdout is not None
        time.sleep(0.3)
        sent = send(programs, port, universes, rate_hz, seconds)
        packets, cpu, _ = receiver.stdout.read().split()
    return Floor(float(cpu) / max(1, int(packets)) * 1e6, sent, sent - int(packets))


def cpu_s(pid: int) -> float:
    """Seconds a process was on a processor, to the nanosecond (its threads ended or living)."""
    total = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        with contextlib.suppress(OSError):
            total += int((task / "schedstat").read_text().split()[0])
    return total / 1e9


def pss_mib(pid: int) -> float:
    """Proportional set size: memory that is shared counts once over all who share it."""
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1]) / 1024
    return 0.0


@dataclass
class Watcher:
    """A daemon on a house of this many universes."""

    port: int
    artnet: int
    page: int
    process: subprocess.Popen[str]

    def pids(self) -> dict[str, int]:
        found = {"parent": self.process.pid}
        for place in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError, IndexError, ValueError):
                if int((place / "stat").read_text().rpartition(")")[2].split()[1]) == self.process.pid:
                    words = (place / "cmdline").read_text().split("\0")
                    found[words[words.index("slotwatch.process") + 1]] = int(place.name)
        return found

    def cpu(self) -> dict[str, float]:
        return {role: cpu_s(pid) for role, pid in self.pids().items()}

    def memory_mib(self) -> float:
        return sum(pss_mib(pid) for pid in self.pids().values())

    def get(self, path: str) -> bytes:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.page}{path}", timeout=30) as answer:
            return bytes(answer.read())

    def counted(self) -> tuple[int, int, int]:
        """Frames judged, packets that the kernel dropped, rows of the ring that were lost."""
        universes = json.loads(self.get("/api/v1/universes"))
        listener = json.loads(self.get("/api/v1/house"))["listener"]
        return sum(u["frames"] for u in universes), listener["kernel_drops"], listener["rows_lost"]

    def not_judged(self) -> int:
        """Packets since the start that the kernel dropped or the ring lost."""
        _, drops, rows = self.counted()
        return drops + rows

    def settle(self, frames: int = 0) -> tuple[int, int, int]:
        """`counted`, once this many frames are judged, or once it has not risen for long."""
        before, since_s = self.counted(), time.monotonic()
        while before[0] < frames or not frames:
            time.sleep(0.5)
            now = self.counted()
            if now != before:
                before, since_s = now, time.monotonic()
            elif time.monotonic() - since_s > STANDS_STILL_S:
                break
        return before


def environment(directory: Path) -> dict[str, str]:
    """With compiled Python code, as an installed program has it, even where the environment forbids to write it."""
    made = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return {**made, "PYTHONPYCACHEPREFIX": str(directory.parent / "bytecode"), "STATE_DIRECTORY": str(directory)}


@contextlib.contextmanager
def watching(directory: Path, universes: int, more: str = "", interface: str = "lo") -> Iterator[Watcher]:
    """A daemon with every rule on, in the strictest phase. more: further text of its house file."""
    port, artnet, page = free_port(), free_port(), free_port(socket.SOCK_STREAM)
    file = directory / "house.toml"
    file.write_text(
        f'[house]\nname = "Benchmark"\nphase = "show"\n\n[listen]\ninterfaces = ["{interface}"]\n'
        f'e131_port = {port}\nartnet_port = {artnet}\n\n[http]\nlisten = "127.0.0.1:{page}"\n'
        + more
        + "".join(f'\n[[universes]]\nprotocol = "e131"\nnumber = {n}\n' for n in range(1, universes + 1))
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "slotwatch.cli", "serve", "-c", str(file)],
        stdout=subprocess.DEVNULL,
        stderr=(directory / "log").open("w"),
        text=True,
        cwd=directory,
        env=environment(directory),
    )
    watcher = Watcher(port, artnet, page, process)
    try:
        deadline_s = time.monotonic() + READY_WITHIN_S
        while True:
            with contextlib.suppress(OSError):
                watcher.counted()
                break
            if process.poll() is not None or time.monotonic() > deadline_s:
                raise SystemExit(f"the daemon did not start: {(directory / 'log').read_text()[-2000:]}")
            time.sleep(0.02)
        yield watcher
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(20)
