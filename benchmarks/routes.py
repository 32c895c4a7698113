"""Latency of routes: packet in to packet out, over loopback, beside a C loop that only forwards.

Each packet carries the time of its sending in its first eight slots; the receiver compares it with the kernel's stamp
of its arrival. What a route repeats of its own accord (E1.31 6.6.2) bears an old time and is left out, and so is what
comes while the routes still listen before they first speak. Sender and receiver are in C (`routes.c`): in Python they
took most of a core, of two, from what they measured. Run alone: `python -m benchmarks.routes`.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

RATE_HZ = 44.0
SECONDS = 10.0
WARMING_S = 3.0
"""Routes listen for 1.1 s before they first speak."""


@dataclass(frozen=True)
class Latency:
    """Milliseconds over all packets of one run."""

    received: int
    expected: int
    p50_ms: float
    p99_ms: float
    worst_ms: float
    cpu_share: float
    """Of one core, over the processes measured."""


def free_ports(count: int) -> list[int]:
    """UDP ports that are free now."""
    socks = [socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(count)]
    for sock in socks:
        sock.bind(("127.0.0.1", 0))
    ports = [int(sock.getsockname()[1]) for sock in socks]
    for sock in socks:
        sock.close()
    return ports


def compiled(work: Path) -> Path:
    """The C program."""
    program = work / "routes"
    source = Path(__file__).with_name("routes.c")
    subprocess.run([shutil.which("gcc") or "cc", "-O2", "-pthread", "-o", program, source], check=True)
    return program


def measure(program: Path, universes: int, in_port: int, out_port: int, slots_at: int, pids: list[int]) -> Latency:
    """Send `universes` at 44 Hz, spread evenly, and read what comes out."""
    numbers = (in_port, out_port, slots_at, universes, RATE_HZ, WARMING_S, SECONDS)
    words = [str(program), "measure", *map(str, numbers)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        child.stdout.readline()
        cpu = _cpu_seconds(pids)
        child.stdout.readline()
        cpu = _cpu_seconds(pids) - cpu
        measured = json.loads(child.stdout.readline())
    nothing = float("nan")
    times = (measured.get(name, nothing) for name in ("p50_ms", "p99_ms", "worst_ms"))
    return Latency(measured["received"], measured["sent"], *times, cpu / SECONDS)


def _cpu_seconds(pids: list[int]) -> float:
    total = 0.0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        total += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return total


def forwarder(program: Path, universes: int) -> Latency:
    """The floor: a C loop that receives and sends."""
    in_port, out_port = free_ports(2)
    child = subprocess.Popen([program, "forward", str(in_port), str(out_port)], stdout=subprocess.PIPE)
    try:
        assert child.stdout is not None
        child.stdout.readline()
        return measure(program, universes, in_port, out_port, 126, [child.pid])
    finally:
        child.kill()
        child.wait()
        child.stdout.close()


def slotwatch(program: Path, work: Path, universes: int, wait_for: Callable[[int], None]) -> Latency:
    """The whole program with that many routes from E1.31 to Art-Net."""
    e131_port, artnet_port = free_ports(2)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        http_port = probe.getsockname()[1]
    house = work / f"house{universes}.toml"
    lines = [
        f'[house]\nname = "Bench"\n[listen]\ninterfaces = ["lo"]\nprotocols = ["e131"]\ne131_port = {e131_port}',
        f'artnet_port = {artnet_port}\n[http]\nlisten = "127.0.0.1:{http_port}"',
        f'[history]\npath = "bench{universes}.db"',
    ]
    for n in range(1, universes + 1):
        lines.append(f'[[universes]]\nprotocol = "e131"\nnumber = {n}')
        lines.append(f'[[routes]]\nname = "r{n}"\nfrom = "e131/{n}"\nto = "artnet/{n}"\nto_address = "127.0.0.1"')
    house.write_text("\n".join(lines) + "\n")
    child = subprocess.Popen([sys.executable, "-m", "slotwatch.cli", "serve", "-c", house])
    try:
        wait_for(http_port)
        return measure(program, universes, e131_port, artnet_port, 18, _family(child.pid))
    finally:
        child.send_signal(signal.SIGTERM)
        child.wait(timeout=20)


def _family(pid: int) -> list[int]:
    """The intake and routes processes below the parent."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    wanted = []
    for child in map(int, children):
        words = Path(f"/proc/{child}/cmdline").read_bytes().split(b"\0")
        if b"intake" in words or b"routes" in words:
            wanted.append(child)
    return wanted


def wait_until_listening(port: int) -> None:
    """Return once the HTTP port answers; the routes listen as soon."""
    end = time.monotonic() + 30
    while time.monotonic() < end:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                time.sleep(1.0)
                return
        time.sleep(0.1)
    raise SystemExit("slotwatch did not come up")


def main() -> None:
    """Print each case beside its floor."""
    print(f"routes at {RATE_HZ:.0f} Hz each, every frame another one, {SECONDS:.0f} s a case")
    with tempfile.TemporaryDirectory() as folder:
        program = compiled(Path(folder))
        for universes in (64, 512):
            floor = forwarder(program, universes)
            ours = slotwatch(program, Path(folder), universes, wait_until_listening)
            for name, row in (("C loop", floor), ("slotwatch", ours)):
                print(
                    f"  {universes:>3} routes {name:<10} {row.received}/{row.expected} out, p50 {row.p50_ms:.3f} ms, "
                    f"p99 {row.p99_ms:.3f} ms, worst {row.worst_ms:.2f} ms, {row.cpu_share:.0%} of a core"
                )
            print(f"  {universes:>3} routes ratio      p50 {ours.p50_ms / floor.p50_ms:.1f} times the floor")


if __name__ == "__main__":
    main()
