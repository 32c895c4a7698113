"""What the front process pays for its answers: the list of universes and the metrics, at 1,024 and 4,096 universes.

The ratio of the two sizes is the figure: 4 is linear. The floor is JSON of plain objects of the same size.
Run alone: `python -m benchmarks.views`.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable

from slotwatch.views import api
from slotwatch.views.metrics import encode_metrics
from slotwatch.views.sheet import Sheet
from tests.views.fabricate import snapshot

SIZES = (1024, 4096)
ROUNDS = 5


def cpu_s(work: Callable[[], object]) -> float:
    """Return the least processor seconds of several runs."""
    taken = []
    for _ in range(ROUNDS):
        before_s = time.process_time()
        work()
        taken.append(time.process_time() - before_s)
    return min(taken)


def main() -> None:
    small, large = (snapshot(size) for size in SIZES)
    floors = [cpu_s(lambda n=n: json.dumps([{str(k): k for k in range(20)}] * n)) for n in SIZES]  # type: ignore[misc]
    universes = [cpu_s(lambda s=s: api.universes(s)) for s in (small, large)]  # type: ignore[misc]
    metrics = [cpu_s(lambda s=s: encode_metrics(Sheet(s), "")) for s in (small, large)]  # type: ignore[misc]
    print(f"{'what':20} {'1,024':>10} {'4,096':>10} {'growth':>8} {'to JSON':>8}")
    for what, (few, many) in (("JSON floor", floors), ("list of universes", universes), ("metrics", metrics)):
        print(f"{what:20} {few * 1000:8.1f} ms {many * 1000:8.1f} ms {many / few:7.1f}x {many / floors[1]:7.1f}x")


if __name__ == "__main__":
    main()
