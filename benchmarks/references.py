"""Reference levels: the time to compare 2,000 fixtures, and what 100 references of 512 universes take in the history.

The floor is one comparison of all their levels as one array. Run alone: `python -m benchmarks references`.
"""

from __future__ import annotations

import time

import numpy as np

from slotwatch.house.schema import Fixture, House
from slotwatch.model.reference_bytes import pack
from slotwatch.model.reference_comparison import compare
from slotwatch.model.reference_levels import UniverseLevels, keep
from slotwatch.wire.universe import Protocol, UniverseId

FIXTURES, SLOTS_EACH = 2_000, 20
EACH = 512 // SLOTS_EACH
LIT = 0.4
ROUNDS = 5
TARGET_MS = 50.0
ROLES = ("intensity", "pan", "pan-fine", "tilt", "tilt-fine", "red", "green", "blue", *(f"other{n}" for n in range(12)))


def house_of(universes: int, fixtures: int) -> House:
    return House(
        fixtures=tuple(
            Fixture(str(n), UniverseId(Protocol.E131, 1 + n // EACH), 1 + n % EACH * SLOTS_EACH, ROLES, profile="mover")
            for n in range(min(fixtures, universes * EACH))
        )
    )


def levels_of(universes: int, seed: int) -> dict[str, UniverseLevels]:
    """A look: fixtures of a kind have the same levels, some of their slots lit."""
    chance = np.random.default_rng(seed)
    kinds = chance.integers(0, 256, (8, SLOTS_EACH), np.uint8) * (chance.random((8, SLOTS_EACH)) < LIT)
    found = {}
    for number in range(1, universes + 1):
        held = np.zeros(512, np.uint8)
        held[: EACH * SLOTS_EACH] = kinds[chance.integers(0, 8, EACH)].reshape(-1)
        found[f"e131/{number}"] = UniverseLevels(held, 512, np.zeros(512, np.bool_))
    return found


def least_ms(work: object) -> float:
    taken = []
    for _ in range(ROUNDS):
        before_s = time.process_time()
        work()  # type: ignore[operator]
        taken.append(time.process_time() - before_s)
    return 1000 * min(taken)


def main() -> None:
    universes = -(-FIXTURES // EACH)
    house, then = house_of(universes, FIXTURES), levels_of(universes, 1)
    reference = keep("act 1", 0, "", house, then)
    was = np.stack([one.levels for one in then.values()])
    print(f"{'2,000 fixtures of 20 slots':34} {'CPU':>10} {'to floor':>9}")
    floor_ms = least_ms(lambda: [np.flatnonzero(was != was + 1) for _ in range(100)]) / 100
    for what, now in (("as they were", then), ("all of them differ", levels_of(universes, 2))):
        taken_ms = least_ms(lambda now=now: compare(reference, house, now, 0.02))  # type: ignore[misc]
        verdict = "" if taken_ms < TARGET_MS else f"  over {TARGET_MS:.0f} ms"
        print(f"{what:34} {taken_ms:7.1f} ms {taken_ms / floor_ms:8.0f}x{verdict}")
    whole = keep("act 1", 0, "", house_of(512, 512 * EACH), levels_of(512, 3))
    size = len(pack(whole))
    print(f"one reference of 512 universes: {size / 1e6:.2f} MB, 100 of them {size / 1e4:.0f} MB")


if __name__ == "__main__":
    main()
