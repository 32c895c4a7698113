"""The live chain against its floor, in one run: packets a second without loss, CPU a packet, memory, idle cost.

Run alone: `python -m benchmarks.live`. The load comes from the same computer, so on two cores one of them is the
sender's; CPU a packet is what the receiving processes themselves took, the kernel's share of their calls included.
"""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from benchmarks.load import (
    FULL_GIGABIT_HZ,
    FULL_UNIVERSES,
    Programs,
    Watcher,
    compiled,
    free_port,
    send,
    watching,
)
from benchmarks.load import floor as floor_of

SECONDS = 5.0
RATES_HZ = (50_000, 100_000, 140_000, FULL_GIGABIT_HZ, 220_000)
SLOW_RATES_HZ = (2_000, 5_000, 10_000, 20_000, 30_000)
WARMING_HZ = 8_000
IDLE_SECONDS = 20.0
LISTENERS = 20
SCRAPE_S = 5.0
PACKAGE_RECEIVER = """
import resource, sys, time
import sacn
count = 0
receiver = sacn.sACNreceiver(bind_address="127.0.0.1", bind_port=int(sys.argv[1]))
def take(packet):
    global count
    count += 1
for number in range(1, int(sys.argv[2]) + 1):
    receiver.register_listener("universe", take, universe=number)
receiver.start()
print("listening", flush=True)
time.sleep(float(sys.argv[3]))
usage = resource.getrusage(resource.RUSAGE_SELF)
print(count, usage.ru_utime + usage.ru_stime, flush=True)
import os; os._exit(0)
"""


@dataclass(frozen=True)
class Speed:
    """What a receiver did at one rate."""

    asked_hz: float
    reached_hz: float
    """What the sender really sent."""
    lost: int
    cpu_us: float
    """Of the receiving processes, a packet."""
    parts: str = ""


def best(rates_hz: tuple[int, ...], run: Callable[[float], Speed]) -> tuple[Speed | None, list[Speed]]:
    """The fastest run without loss, going up until there is loss twice or the sender is at its end."""
    found, runs, failures = None, [], 0
    for rate_hz in rates_hz:
        speed = run(rate_hz)
        runs.append(speed)
        print(
            f"      asked {speed.asked_hz:9,.0f}/s  sent {speed.reached_hz:9,.0f}/s  lost {speed.lost:8,}  "
            f"{speed.cpu_us:6.2f} us a packet{speed.parts}",
            flush=True,
        )
        if speed.lost == 0 and (found is None or speed.reached_hz > found.reached_hz):
            found = speed
        failures += speed.lost > 0
        if failures == 2 or speed.reached_hz < 0.8 * rate_hz:
            break
    return found, runs


def floor(programs: Programs, universes: int) -> Callable[[float], Speed]:
    """The C loop that only compares sequence and levels."""

    def run(rate_hz: float) -> Speed:
        done = floor_of(programs, universes, rate_hz, SECONDS)
        return Speed(rate_hz, done.sent / SECONDS, done.lost, done.cpu_us)

    return run


def package(programs: Programs, universes: int) -> Callable[[float], Speed]:
    """The sacn package's receiver; every packet here changes levels, so each is a call back."""

    def run(rate_hz: float) -> Speed:
        port = free_port()
        words = [sys.executable, "-c", PACKAGE_RECEIVER, str(port), str(universes), str(SECONDS * 2 + 2)]
        with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as receiver:
            assert receiver.stdout is not None
            receiver.stdout.readline()
            sent = send(programs, port, universes, rate_hz, SECONDS)
            count, cpu = receiver.stdout.read().split()
        lost = sent - int(count)
        return Speed(rate_hz, sent / SECONDS, lost, float(cpu) / max(1, int(count)) * 1e6)

    return run


def whole(programs: Programs, watcher: Watcher, universes: int) -> Callable[[float], Speed]:
    """slotwatch: intake and judging, every rule on."""

    def run(rate_hz: float) -> Speed:
        frames, drops, rows = watcher.settle()
        cpu = watcher.cpu()
        sent = send(programs, watcher.port, universes, rate_hz, SECONDS)
        time.sleep(0.5)
        used = {role: value - cpu.get(role, 0.0) for role, value in watcher.cpu().items()}
        after = watcher.settle(frames + sent)
        judged = after[0] - frames
        lost = max(sent - judged, after[1] - drops + after[2] - rows)
        cost_us = (used["intake"] + used["judging"]) / max(1, judged) * 1e6
        each = {role: used[role] / max(1, judged) * 1e6 for role in ("intake", "judging")}
        parts = f" (intake {each['intake']:.2f}, judging {each['judging']:.2f})"
        return Speed(rate_hz, sent / SECONDS, lost, cost_us, parts)

    return run


def odd(programs: Programs, watcher: Watcher, universes: int, how: str) -> tuple[int, float]:
    """A full gigabit of something else than a calm house: rows lost on the way, CPU of intake and judging a packet."""
    missed = watcher.not_judged()
    cpu = watcher.cpu()
    sent = send(programs, watcher.port, universes, FULL_GIGABIT_HZ, SECONDS, how)
    time.sleep(1.0)
    used = {role: value - cpu.get(role, 0.0) for role, value in watcher.cpu().items()}
    missed = watcher.not_judged() - missed
    return missed, (used["intake"] + used["judging"]) / sent * 1e6


@contextlib.contextmanager
def looked_at(watcher: Watcher) -> Iterator[None]:
    """20 browsers listen to events and /metrics is scraped every 5 s."""
    over = threading.Event()

    def listen() -> None:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", watcher.page)) as sock:
            sock.settimeout(0.5)
            sock.sendall(b"GET /api/v1/events HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept: text/event-stream\r\n\r\n")
            while not over.is_set():
                with contextlib.suppress(TimeoutError):
                    if not sock.recv(65536):
                        return

    def scrape() -> None:
        while not over.wait(SCRAPE_S):
            with contextlib.suppress(OSError):
                watcher.get("/metrics")

    threads = [threading.Thread(target=listen, daemon=True) for _ in range(LISTENERS)]
    threads.append(threading.Thread(target=scrape, daemon=True))
    for thread in threads:
        thread.start()
    try:
        time.sleep(1.0)
        yield
    finally:
        over.set()
        for thread in threads:
            thread.join()


def idle(programs: Programs, directory: Path) -> tuple[dict[str, float], float]:
    """Share of one core that each process takes for 16 universes at 40 Hz, and memory of all."""
    with watching(directory, 16) as watcher:
        sender = threading.Thread(target=send, args=(programs, watcher.port, 16, 640, IDLE_SECONDS + 8))
        sender.start()
        time.sleep(5.0)
        before, began_s = watcher.cpu(), time.monotonic()
        time.sleep(IDLE_SECONDS)
        elapsed_s = time.monotonic() - began_s
        shares = {role: (value - before[role]) / elapsed_s for role, value in watcher.cpu().items()}
        memory = watcher.memory_mib()
        sender.join()
    return shares, memory


def row_of(name: str, speed: Speed | None, base: Speed | None) -> str:
    """One line of the result."""
    if speed is None:
        return f"  {name:34} lost packets at every rate"
    ratio = f", {speed.cpu_us / base.cpu_us:5.2f} x the floor's CPU" if base is not None else ""
    return f"  {name:34} {speed.reached_hz:9,.0f} packets/s without loss, {speed.cpu_us:6.2f} us a packet{ratio}"


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="slotwatch-bench-") as place:
        directory = Path(place)
        programs = compiled(directory)
        print(
            f"  {FULL_UNIVERSES} universes, packets of 638 bytes over loopback, {SECONDS:g} s at each rate", flush=True
        )
        print("  (a) C, recvmmsg, compares sequence and levels only", flush=True)
        base, _ = best(RATES_HZ, floor(programs, FULL_UNIVERSES))
        print("  (b) slotwatch, intake and judging, every rule on", flush=True)
        (directory / "new").mkdir()
        with watching(directory / "new", FULL_UNIVERSES) as watcher:
            begun = odd(programs, watcher, FULL_UNIVERSES, "plain")
        print(f"      a house that begins all at once: lost {begun[0]:,}, {begun[1]:.2f} us a packet", flush=True)
        (directory / "b").mkdir()
        with watching(directory / "b", FULL_UNIVERSES) as watcher:
            # New streams cost more than known ones: let them become known first.
            watcher.settle(send(programs, watcher.port, FULL_UNIVERSES, WARMING_HZ, 2 * SECONDS))
            ours, _ = best(RATES_HZ, whole(programs, watcher, FULL_UNIVERSES))
            memory = watcher.memory_mib()
            unwell = {how: odd(programs, watcher, FULL_UNIVERSES, how) for how in ("lossy", "doubled")}
            for how, (lost, cost_us) in unwell.items():
                print(f"      {how}: lost {lost:,}, {cost_us:.2f} us a packet", flush=True)
            print(f"      the same with {LISTENERS} listeners and /metrics every {SCRAPE_S:g} s", flush=True)
            with looked_at(watcher):
                watched, _ = best(RATES_HZ, whole(programs, watcher, FULL_UNIVERSES))
            watched_memory = watcher.memory_mib()
        print("  (c) the sacn package's receiver", flush=True)
        theirs, _ = best(SLOW_RATES_HZ, package(programs, FULL_UNIVERSES))
        print("  idle: 16 universes at 40 Hz", flush=True)
        (directory / "idle").mkdir()
        shares, idle_memory = idle(programs, directory / "idle")
    print("\n  result (goals are in brackets)")
    print(row_of("(a) C floor", base, None))
    print(row_of(f"(b) slotwatch [{FULL_GIGABIT_HZ:,}/s]", ours, base))
    print(row_of("(b) while it is looked at", watched, base))
    print(f"  (b) every stream new               lost {begun[0]:,} of a full gigabit, {begun[1]:.2f} us a packet")
    for how, (lost, cost_us) in unwell.items():
        print(f"  (b) {how:30} lost {lost:,} of a full gigabit, {cost_us:.2f} us a packet")
    print(row_of("(c) sacn package's receiver", theirs, base))
    print(f"  memory of all processes            {memory:.0f} MiB, looked at {watched_memory:.0f} MiB [400 MiB]")
    parts = ", ".join(f"{role} {share * 100:.1f} %" for role, share in shares.items())
    total = sum(shares.values()) * 100
    print(f"  idle, 16 universes at 40 Hz        {total:.1f} % of a core [5 %] ({parts}), {idle_memory:.0f} MiB")


if __name__ == "__main__":
    main()
