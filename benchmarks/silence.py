"""What empty time costs: a day of 1,000 packets, a day of a house at rest, and a year of it.

Run alone: `python -m benchmarks.silence [DAYS]`. The year is DAYS long (default 30), and a whole year is estimated from
it; 365 measures all of it. The floor makes and decodes the same packets and judges nothing, in the same run.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from slotwatch.edge.tools.capture_clock import BASE_NS
from slotwatch.edge.tools.captures import MOST_ROWS, Capture, Chunk
from slotwatch.edge.tools.replaying import Replay
from slotwatch.house.schema import House, Network, Phase
from slotwatch.wire.batch import Batch, empty, joined
from slotwatch.wire.compose import e131_data
from slotwatch.wire.decode import decode

SECOND_NS = 1_000_000_000
DAY_S = 86_400
YEAR_DAYS = 365
WALL_OFFSET_NS = 1_790_000_000 * SECOND_NS
GOAL_DAY_S, GOAL_YEAR_S = 1.0, 300.0
SEQUENCE = 111
"""Byte of the sequence number (ANSI E1.31-2018 table 4-2)."""


@dataclass
class Evenly:
    """Frames of some universes that never change, at an even pace. Made as they are wanted."""

    universes: int
    pace_ns: int
    frames: int
    wall_offset_ns: int = WALL_OFFSET_NS

    @property
    def end_ns(self) -> int:
        return BASE_NS + (self.frames - 1) * self.pace_ns

    @property
    def packets(self) -> int:
        return self.universes * self.frames

    def chunks(self) -> Iterator[Chunk]:
        """Give all packets, as many at once as a capture's reader does."""
        at_once = max(1, min(self.frames, MOST_ROWS // self.universes))
        batch = self._still(at_once * self.universes)
        for first in range(0, self.frames, at_once):
            frames = np.arange(first, min(first + at_once, self.frames))
            rows = len(frames) * self.universes
            number = np.repeat(frames, self.universes)
            batch.t_ns[:rows] = BASE_NS + number * self.pace_ns + np.tile(np.arange(self.universes) * 1000, len(frames))
            batch.data[:rows, SEQUENCE] = number & 0xFF
            yield Chunk(joined([batch.part(slice(0, rows))]), [])

    def _still(self, rows: int) -> Batch:
        batch = empty(rows, self.wall_offset_ns)
        for row in range(rows):
            universe = row % self.universes + 1
            packet = np.frombuffer(e131_data(b"slotwatch-bench0", "benchmark", universe, 0, bytes(512)), np.uint8)
            batch.data[row, : len(packet)], batch.length[row] = packet, len(packet)
            batch.dst[row] = _address(239, 255, 0, universe)
        batch.src[:], batch.src_port[:], batch.protocol[:] = _address(10, 0, 0, 1), 5568, 1
        return batch


def _address(*numbers: int) -> NDArray[np.uint8]:
    return np.frombuffer(bytes(10) + b"\xff\xff" + bytes(numbers), np.uint8)


def measure(name: str, capture: Evenly, goal_s: float | None, share: float = 1.0) -> None:
    """Replay a capture and print its processor time beside that of the floor. share: of what the goal is for."""
    began_s = time.process_time()
    for chunk in capture.chunks():
        decode(chunk.batch)
    floor_s = time.process_time() - began_s
    house = replace(House(name="benchmark"), networks=(Network("eth1", "eth1"),))
    began_s = time.process_time()
    judged = Replay(cast(Capture, capture), house, Phase.SHOW).run()
    cost_s = time.process_time() - began_s
    faults = [one.rule for one in judged.incidents if one.rule != "universe-lost"]
    if faults or judged.snapshot.streams["frames"].sum() != capture.packets:
        raise SystemExit(f"{name}: not every packet was counted, or a fault was found: {faults}")
    goal = "" if goal_s is None else f" [{goal_s:g} s{'' if share == 1 else ' for all of it'}]"
    whole = "" if share == 1 else f", all of it about {cost_s / share:,.0f} s"
    print(f"  {name:44} {cost_s:8.2f} s{whole}{goal}")
    print(
        f"  {'':44} {capture.packets / cost_s:10,.0f} packets/s, {judged.ticks:,} ticks, "
        f"{cost_s / floor_s:.1f} times the floor of {floor_s:.2f} s"
    )


def main(days: int = 30) -> None:
    """Measure and print."""
    measure("1,000 packets evenly over a day", Evenly(1, 86_400_000_000, 1000), GOAL_DAY_S)
    measure("16 universes at rest for a day", Evenly(16, SECOND_NS, DAY_S), None)
    measure("100 universes at rest for an hour", Evenly(100, SECOND_NS, 3600), None)
    year = Evenly(1, SECOND_NS, days * DAY_S)
    measure(f"one universe at rest, {days} days of a year", year, GOAL_YEAR_S, days / YEAR_DAYS)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
