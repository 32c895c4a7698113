"""Inputs that the fuzzer found, kept in the repository so that every run begins where the last one ended.

    python -m tests.fuzz.corpus [SECONDS [TARGET …]]

breeds from what is kept, then keeps, the shortest first, what reaches code that nothing before it reaches. One file for
each target, one input a line in base 64. An input that once broke a target may be added by hand.
"""

from __future__ import annotations

import random
import sys
import time
from base64 import b64decode, b64encode
from collections.abc import Callable
from pathlib import Path

from tests.fuzz.decoders import Coverage, mutate
from tests.fuzz.targets import TARGETS

PLACE = Path(__file__).parent / "corpus"
MOST_BYTES = 700
"""Longer inputs are not kept: most formats are shorter, and the repository stays small."""
MOST_INPUTS = 80
SECONDS = 120.0

Target = Callable[[bytes], None]


def of(target: Target) -> list[bytes]:
    """Return the inputs kept for a target."""
    file = PLACE / f"{target.__name__}.txt"
    return [b64decode(line, validate=True) for line in file.read_text().split()] if file.exists() else []


def grow(target: Target, seconds: float, seed: int) -> list[bytes]:
    """Breed for some time; return the fewest and shortest inputs that reach what was found beside the seeds."""
    chance, coverage = random.Random(seed), Coverage()
    queue, kept = [*TARGETS[target], *of(target)], []
    end = time.monotonic() + seconds
    while queue or time.monotonic() < end:
        raw = queue.pop(0) if queue else mutate(chance, chance.choice(kept), kept)
        if coverage.run(target, raw) or not kept:
            kept.append(raw)
    return shortest(target, kept)


def shortest(target: Target, inputs: list[bytes]) -> list[bytes]:
    """Give the inputs of bearable length that reach something beyond the seeds, each beyond the shorter ones."""
    coverage = Coverage()
    for raw in TARGETS[target]:
        coverage.run(target, raw)
    chosen = [raw for raw in sorted(inputs, key=len) if len(raw) <= MOST_BYTES and coverage.run(target, raw)]
    return chosen[:MOST_INPUTS]


def main(seconds: float = SECONDS, wanted: tuple[str, ...] = ()) -> int:
    """Breed for every target in turn, or those named, the time shared out evenly; write what was found."""
    chosen = [target for target in TARGETS if not wanted or target.__name__ in wanted]
    PLACE.mkdir(exist_ok=True)
    for target in chosen:
        found = grow(target, seconds / len(chosen), random.randrange(1 << 30))
        lines = sorted(b64encode(raw).decode() for raw in found)
        (PLACE / f"{target.__name__}.txt").write_text("".join(f"{line}\n" for line in lines))
        print(f"{target.__name__}: {len(found)} inputs, {sum(map(len, found))} bytes", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS, tuple(sys.argv[2:])))
