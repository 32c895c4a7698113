"""What the history's file takes: bytes of a universe's minute, with one source that moves, with two, and at rest.

Run alone: `python -m benchmarks history`. The floor is the row of the minute without its streams.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np

from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.snapshot.minutes import MinuteRow, StreamMinute

UNIVERSES, MINUTES = 512, 60
FIRST = 29_000_000


def written(path: Path, sources: int) -> tuple[float, float]:
    """Bytes of a universe's minute, and milliseconds to write one minute of all universes."""
    chance = np.random.default_rng(1)
    store = Store(path)
    took_s = 0.0
    for minute in range(MINUTES):
        late_ms = chance.gamma(2, 2, (UNIVERSES, 4)) + 25
        rows = [
            MinuteRow(
                *(
                    FIRST + minute,
                    f"e131/{universe + 1}",
                    2640,
                    44.0,
                    float(late_ms[universe, 3]),
                    0,
                    max(1, sources),
                    5,
                ),
                streams=tuple(
                    StreamMinute(f"desk {rank}", rank, 2640, 0, 2639, 44.01, 22.7, *map(float, late_ms[universe, :3]))
                    for rank in range(sources)
                ),
            )
            for universe in range(UNIVERSES)
        ]
        before_s = time.perf_counter()
        store.write(Pending(minutes=rows))
        took_s += time.perf_counter() - before_s
    store.close()
    return path.stat().st_size / (UNIVERSES * MINUTES), 1000 * took_s / MINUTES


def main() -> None:
    print(f"{'512 universes, a minute each':34} {'bytes each':>10} {'to floor':>9} {'to write':>9}")
    floor = 0.0
    for sources, what in enumerate(("at rest: no row for a stream", "one source moves", "two sources move")):
        with tempfile.TemporaryDirectory() as place:
            size, took_ms = written(Path(place) / "history.db", sources)
        floor = floor or size
        print(f"{what:34} {size:10.1f} {size / floor:8.2f}x {took_ms:6.1f} ms")
    print("A universe with one source that moves for 4 hours a day takes so much in 30 days:", end=" ")
    print(f"{(floor * 1440 + (size - floor) / 2 * 240) * 30 / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
