"""Latency of routes: packet in to packet out, over loopback, beside a C loop that only forwards.

Each packet carries the time of its sending in its first eight slots; the receiver compares it with the
kernel's stamp of its arrival. What a route repeats of its own accord (E1.31 6.6.2) bears an old time and is
left out, and so is what comes while the routes still listen before they first speak. Run alone:
`python -m benchmarks.routes`.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from sacn.messages.data_packet import DataPacket

RATE_HZ = 44.0
SECONDS = 10.0
WARMING_S = 3.0
"""Routes listen for 1.1 s before they first speak."""
SO_TIMESTAMPNS = 35
FORWARDER = r"""
#include <arpa/inet.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
int main(int argc, char **argv) {
  char packet[2048];
  int in = socket(AF_INET, SOCK_DGRAM, 0), out = socket(AF_INET, SOCK_DGRAM, 0);
  struct sockaddr_in a = {.sin_family = AF_INET, .sin_port = htons(atoi(argv[1]))};
  a.sin_addr.s_addr = htonl(0x7f000001);
  if (bind(in, (void *)&a, sizeof a)) return 1;
  a.sin_port = htons(atoi(argv[2]));
  puts("ready"); fflush(stdout);
  for (;;) {
    ssize_t n = recv(in, packet, sizeof packet, 0);
    if (n < 0) return 1;
    sendto(out, packet, n, 0, (void *)&a, sizeof a);
  }
}
"""


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
    """UDP ports that nobody holds now."""
    socks = [socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(count)]
    for sock in socks:
        sock.bind(("127.0.0.1", 0))
    ports = [int(sock.getsockname()[1]) for sock in socks]
    for sock in socks:
        sock.close()
    return ports


def measure(universes: int, in_port: int, out_port: int, slots_at: int, pids: list[int]) -> Latency:
    """Send `universes` at 44 Hz, spread evenly, and read what comes out."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    listener.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 24)
    listener.bind(("127.0.0.1", out_port))
    listener.settimeout(1.0)
    arrived: dict[int, int] = {}
    over = threading.Event()

    def receive() -> None:
        while not over.is_set():
            try:
                payload, control, _, _ = listener.recvmsg(2048, 64)
            except TimeoutError:
                continue
            seconds, nanoseconds = struct.unpack_from("qq", control[0][2])
            (sent_ns,) = struct.unpack_from(">q", payload, slots_at)
            arrived.setdefault(sent_ns, seconds * 1_000_000_000 + nanoseconds)

    reader = threading.Thread(target=receive)
    reader.start()
    _send(universes, in_port, WARMING_S)
    began_ns = time.time_ns()
    cpu = _cpu_seconds(pids)
    sent = _send(universes, in_port, SECONDS)
    cpu = _cpu_seconds(pids) - cpu
    time.sleep(1.0)
    over.set()
    reader.join()
    listener.close()
    took = [(at_ns - sent_ns) / 1e6 for sent_ns, at_ns in arrived.items() if sent_ns >= began_ns]
    order = np.sort(np.array(took or [float("nan")]))
    share = (np.percentile(order, 50), np.percentile(order, 99), order[-1])
    return Latency(len(took), sent, *(float(value) for value in share), cpu / SECONDS)


def _send(universes: int, port: int, seconds: float) -> int:
    packets = [
        bytearray(DataPacket(tuple(bytes(range(16))), "bench", n + 1, dmxData=(0,) * 512).getBytes())
        for n in range(universes)
    ]
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    step = 1 / (RATE_HZ * universes)
    due, end, count = time.monotonic(), time.monotonic() + seconds, 0
    while due < end:
        while time.monotonic() < due:
            time.sleep(max(0.0, due - time.monotonic()))
        packet = packets[count % universes]
        packet[111] = (count // universes) & 0xFF
        struct.pack_into(">q", packet, 126, time.time_ns())
        sock.sendto(packet, ("127.0.0.1", port))
        count += 1
        due += step
    sock.close()
    return count


def _cpu_seconds(pids: list[int]) -> float:
    total = 0.0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        total += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return total


def forwarder(work: Path, universes: int) -> Latency:
    """The floor: a C loop that receives and sends."""
    source, program = work / "forward.c", work / "forward"
    source.write_text(FORWARDER)
    subprocess.run([shutil.which("gcc") or "cc", "-O2", "-o", program, source], check=True)
    in_port, out_port = free_ports(2)
    child = subprocess.Popen([program, str(in_port), str(out_port)], stdout=subprocess.PIPE)
    try:
        assert child.stdout is not None
        child.stdout.readline()
        return measure(universes, in_port, out_port, 126, [child.pid])
    finally:
        child.kill()
        child.wait()
        child.stdout.close()


def slotwatch(work: Path, universes: int, wait_for: Callable[[int], None]) -> Latency:
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
        return measure(universes, e131_port, artnet_port, 18, _family(child.pid))
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
        for universes in (64, 512):
            floor = forwarder(Path(folder), universes)
            ours = slotwatch(Path(folder), universes, wait_until_listening)
            for name, row in (("C loop", floor), ("slotwatch", ours)):
                print(
                    f"  {universes:>3} routes {name:<10} {row.received}/{row.expected} out, p50 {row.p50_ms:.3f} ms, "
                    f"p99 {row.p99_ms:.3f} ms, worst {row.worst_ms:.2f} ms, {row.cpu_share:.0%} of a core"
                )
            print(f"  {universes:>3} routes ratio      p50 {ours.p50_ms / floor.p50_ms:.1f} times the floor")


if __name__ == "__main__":
    main()
