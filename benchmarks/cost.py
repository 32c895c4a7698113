"""What a packet of a full gigabit costs, as a ratio to the floor: the figure that the project goes by.

Three bursts with a pause between them: each ends as an incident of every universe, whose packets are recorded, and the
next one brings them all back. Before each burst the floor has one of its own, so that both see the same computer; the
result is the median of the three ratios. Processor seconds count (of intake and judging), not wall time: what else
the computer does makes both slower alike. Patch, history, recorder and every rule are on.

Then the storms: what each costs, what was lost, how the declared universes did, and what memory it left.
Run alone: `python -m benchmarks.cost`.
"""

from __future__ import annotations

import json
import os
import platform
import statistics
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from benchmarks.load import (
    FULL_GIGABIT_HZ,
    FULL_UNIVERSES,
    Programs,
    Watcher,
    compiled,
    floor,
    send,
    watching,
)

SECONDS = 8.0
PAUSE_S = 5.0
BURSTS = 3
IDLE_SECONDS = 30.0
AROUND_S = 4.0
"""Declared universes send so long before a storm and after it."""
FIXTURES_A_UNIVERSE = 5
PATCHED = """
[[profiles]]
name = "wash"
slots = ["intensity", "red", "green", "blue", "pan", "tilt"]

[patch]
file = "patch.csv"
"""
STORMS = (
    ("small", 300_000, "300,000 small packets a second"),
    ("forged", 50_000, "50,000 invented senders a second"),
    ("rubbish", 100_000, "100,000 packets a second that are none"),
)


@dataclass(frozen=True)
class Burst:
    floor_us: float
    intake_us: float
    judging_us: float
    sent: int
    not_judged: int

    @property
    def ratio(self) -> float:
        return (self.intake_us + self.judging_us) / self.floor_us


def burst(programs: Programs, watcher: Watcher) -> Burst:
    """One of the floor's, then one of ours."""
    base = floor(programs, FULL_UNIVERSES, FULL_GIGABIT_HZ, SECONDS)
    _, drops, rows = watcher.settle()
    before = watcher.cpu()
    sent = send(programs, watcher.port, FULL_UNIVERSES, FULL_GIGABIT_HZ, SECONDS)
    time.sleep(0.5)
    used = {role: (value - before.get(role, 0.0)) / sent * 1e6 for role, value in watcher.cpu().items()}
    after = watcher.settle()
    return Burst(base.cpu_us, used["intake"], used["judging"], sent, after[1] - drops + after[2] - rows)


def write_patch(directory: Path) -> None:
    """Some fixtures on every universe."""
    lines = ["fixture,universe,address,profile"]
    lines += [
        f"{universe * 10 + place},{universe},{1 + place * 100},wash"
        for universe in range(1, FULL_UNIVERSES + 1)
        for place in range(FIXTURES_A_UNIVERSE)
    ]
    (directory / "patch.csv").write_text("\n".join(lines) + "\n")


@dataclass(frozen=True)
class Storm:
    sent: int
    cost_us: float
    """Of intake and judging, a packet."""
    not_judged: int
    memory_mib: float
    rules: tuple[str, ...]
    """Of the incidents since the storm began, a moment after its end, while the declared universes continue."""


def storm(programs: Programs, watcher: Watcher, how: str, rate_hz: int) -> Storm:
    """One storm beside 64 universes at 44 Hz, which continue for some seconds after it."""
    port = watcher.port
    steady = threading.Thread(target=send, args=(programs, port, 64, 64 * 44, SECONDS + AROUND_S * 2 + 1))
    steady.start()
    time.sleep(AROUND_S)
    _, drops, rows = watcher.counted()
    before = watcher.cpu()
    sent = send(programs, port, 4000, rate_hz, SECONDS, how)
    time.sleep(0.5)
    used = watcher.cpu()
    cost = (used["intake"] + used["judging"] - before["intake"] - before["judging"]) / sent * 1e6
    time.sleep(AROUND_S - 1)
    rules = tuple(sorted(one["rule"] for one in json.loads(watcher.get("/api/v1/incidents"))))
    steady.join()
    _, drops_after, rows_after = watcher.settle()
    return Storm(sent, cost, drops_after - drops + rows_after - rows, watcher.memory_mib(), rules)


def started(directory: Path) -> tuple[float, float]:
    """Seconds from starting to answering, and processor seconds of all processes: a house of 16 universes."""
    began_s = time.monotonic()
    with watching(directory, 16) as watcher:
        return time.monotonic() - began_s, sum(watcher.cpu().values())


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="slotwatch-bench-") as place:
        directory = Path(place)
        programs = compiled(directory)
        print(
            f"  {time.strftime('%Y-%m-%d')}, {platform.machine()}, {os.cpu_count()} processors, "
            f"load {os.getloadavg()[0]:.1f}"
        )
        house = directory / "house"
        house.mkdir()
        write_patch(house)
        with watching(house, FULL_UNIVERSES, PATCHED) as watcher:
            bursts = []
            for _ in range(BURSTS):
                one = burst(programs, watcher)
                bursts.append(one)
                print(
                    f"      floor {one.floor_us:.2f} us; intake {one.intake_us:.2f} + judging {one.judging_us:.2f} us "
                    f"= {one.ratio:.2f} x; {one.sent / SECONDS:,.0f}/s, {one.not_judged:,} not judged",
                    flush=True,
                )
                time.sleep(PAUSE_S)
            memory = watcher.memory_mib()
        # A daemon for each: what ended with one storm is not part of the next.
        for how, rate_hz, title in STORMS:
            (directory / how).mkdir()
            with watching(directory / how, 64) as watcher:
                one_storm = storm(programs, watcher, how, rate_hz)
            print(
                f"      {title}: {one_storm.sent / SECONDS:,.0f}/s, {one_storm.cost_us:.2f} us each, "
                f"{one_storm.not_judged:,} not judged, {one_storm.memory_mib:.0f} MiB; "
                f"{len(one_storm.rules)} incident(s): {', '.join(one_storm.rules)}",
                flush=True,
            )
        (directory / "bursts").mkdir()
        with watching(directory / "bursts", 512) as watcher:
            sent = send(programs, watcher.port, 512, 512 * 44, SECONDS, "burst")
            frames, drops, rows = watcher.settle(sent)
            lost = max(sent - frames, drops + rows)
            print(f"      512 universes back to back, 44 times a second: {lost:,} of {sent:,} lost", flush=True)
        (directory / "idle").mkdir()
        with watching(directory / "idle", 16) as watcher:
            sender = threading.Thread(target=send, args=(programs, watcher.port, 16, 640, IDLE_SECONDS + 8))
            sender.start()
            time.sleep(6)
            before, began_s = watcher.cpu(), time.monotonic()
            time.sleep(IDLE_SECONDS)
            elapsed_s = time.monotonic() - began_s
            shares = {role: (value - before[role]) / elapsed_s * 100 for role, value in watcher.cpu().items()}
            idle_memory = watcher.memory_mib()
            sender.join()
        starts = []
        for number in range(3):
            (directory / f"start-{number}").mkdir()
            starts.append(started(directory / f"start-{number}"))
    ratio = statistics.median(one.ratio for one in bursts)
    print("\n  result (goals are in brackets)")
    print(f"  a full gigabit, every rule on        {ratio:.2f} x the floor [3, then 2.5], median of {BURSTS} bursts")
    print(f"  memory of all processes              {memory:.0f} MiB [350]")
    shares_text = ", ".join(f"{role} {share:.1f} %" for role, share in shares.items())
    idle = sum(shares.values())
    print(f"  idle, 16 universes at 40 Hz          {idle:.1f} % of a core [2] ({shares_text}), {idle_memory:.0f} MiB")
    wall_s, cpu = (statistics.median(column) for column in zip(*starts, strict=True))
    print(f"  start to answering, 16 universes     {wall_s:.2f} s [1.5], {cpu:.2f} s of processor time")


if __name__ == "__main__":
    main()
