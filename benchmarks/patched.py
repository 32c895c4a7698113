"""What live judgement of a full patch costs beside the bare engine: `python -m benchmarks.patched`.

512 universes at 44 Hz, every level moving, on a house with 20,000 fixtures of which every 200th faces the
audience. Both figures come from one run on one thread: the thread's own CPU time is read around everything
that exists only because of the patch, so that other load of the machine falls on both alike.
"""

from __future__ import annotations

import json
import struct
import sys
import time
from collections import Counter
from typing import Any

import numpy as np

from slotwatch.engine import Engine
from slotwatch.house.schema import DeclaredUniverse, Fixture, House, Phase, Profile
from slotwatch.judge.binding import Condition
from slotwatch.judge.shown import Shown
from slotwatch.model.lighttap import LightTap
from slotwatch.model.stage import Stage
from slotwatch.wire.batch import empty
from slotwatch.wire.universe import Protocol, UniverseId

UNIVERSES = 512
FIXTURES = 20_000
A_UNIVERSE = 39
"""Fixtures of 13 slots each."""
SECONDS = 10
HZ = 44
BATCH = 256
GOAL_PERCENT = 25.0
ROLES = (
    *("intensity", "pan", "pan-fine", "tilt", "tilt-fine", "red", "green", "blue", "white", "amber", "zoom", "strobe"),
    "control",
)
PATCH_RULES = frozenset(
    (
        *("non-dim-partial", "powered-off", "control-held", "glare-held", "flash-rate", "fine-stuck", "fine-swapped"),
        *("torn-pair", "way-overload", "supply-overload", "stray-levels", "short-frame", "patch-conflict"),
    )
)


def house() -> House:
    """512 universes, as many fixtures as fit of 20,000."""
    fixtures = []
    for number in range(min(FIXTURES, UNIVERSES * A_UNIVERSE)):
        universe = UniverseId(Protocol.E131, number // A_UNIVERSE + 1)
        address = number % A_UNIVERSE * len(ROLES) + 1
        name = str(number)
        fixtures.append(Fixture(name, universe, address, ROLES, "wash", faces_audience=number % 200 == 0))
    return House(
        phase=Phase.SHOW,
        universes=tuple(DeclaredUniverse(UniverseId(Protocol.E131, n)) for n in range(1, UNIVERSES + 1)),
        profiles=(Profile("wash", ROLES),),
        fixtures=tuple(fixtures),
    )


def templates() -> np.ndarray[Any, np.dtype[np.uint8]]:
    """One E1.31 data packet for each universe (ANSI E1.31-2018 tables 4-1 to 4-3)."""
    made = np.zeros((UNIVERSES, 638), np.uint8)
    for universe in range(1, UNIVERSES + 1):
        root = b"\0\x10\0\0ASC-E1.17\0\0\0" + struct.pack(">HI16s", 0x726E, 4, bytes(range(1, 17)))
        frame = struct.pack(">HI64sBHBBH", 0x7258, 2, b"desk", 100, 0, 0, 0, universe)
        dmp = struct.pack(">HBBHHH", 0x720B, 2, 0xA1, 0, 1, 513) + bytes(513)
        made[universe - 1] = np.frombuffer(root + frame + dmp, np.uint8)
    return made


def measure() -> dict[str, Any]:
    """CPU seconds of the whole engine, and of what the patch adds."""
    added: Counter[str] = Counter()
    _time(LightTap, "take", "frame tap", added)
    _time(Stage, "advance", "stage", added)
    _time(Condition, "look", "rules of the patch", added, lambda one: one.watch.rule in PATCH_RULES)
    for view in ("racks", "rig_check", "hours"):
        _time(Shown, view, "views", added)
    engine = Engine(house(), now_ns=0, wall_offset_ns=0)
    packets, levels = templates(), np.random.default_rng(1).integers(0, 255, (2, UNIVERSES, 512))
    levels[:, :, A_UNIVERSE * len(ROLES) :] = 0
    levels[:, :, ROLES.index("control") :: len(ROLES)] = 0
    total_s = 0.0
    for frame in range(SECONDS * HZ):
        share = frame % 40 / 40
        packets[:, 126:638] = levels[0] * (1 - share) + levels[1] * share
        packets[:, 111] = frame % 256
        t_ns = 1_000_000_000 + frame * 1_000_000_000 // HZ
        for first in range(0, UNIVERSES, BATCH):
            batch = empty(BATCH)
            batch.data[:, :638] = packets[first : first + BATCH]
            batch.length[:], batch.protocol[:] = 638, Protocol.E131
            batch.src[:] = np.frombuffer(bytes(10) + b"\xff\xff\n\0\0\1", np.uint8)
            batch.t_ns[:] = t_ns + np.arange(first, first + BATCH) * 1000
            total_s -= time.thread_time()
            engine.ingest(batch)
            total_s += time.thread_time()
        total_s -= time.thread_time()
        if frame % 2:
            engine.tick(t_ns + 1_000_000)
        if frame % 11 == 0:
            engine.snapshot(t_ns + 1_000_000)
        total_s += time.thread_time()
    count, extra_s = SECONDS * HZ * UNIVERSES, sum(added.values())
    bare_s = total_s - extra_s
    return {
        "fixtures": len(engine.house.fixtures),
        "packets": count,
        "bare_us_per_packet": round(bare_s / count * 1e6, 2),
        "patch_us_per_packet": round(extra_s / count * 1e6, 2),
        "added_percent": round(extra_s / bare_s * 100, 1),
        "goal_percent": GOAL_PERCENT,
        "parts_percent": {name: round(one / bare_s * 100, 1) for name, one in added.items()},
    }


def _time(kind: type, name: str, label: str, added: Counter[str], wanted: Any = None) -> None:
    """Count the thread's CPU time inside one method."""
    plain = getattr(kind, name)

    def timed(self: Any, *arguments: Any) -> Any:
        if wanted is not None and not wanted(self):
            return plain(self, *arguments)
        began = time.thread_time()
        try:
            return plain(self, *arguments)
        finally:
            added[label] += time.thread_time() - began  # type: ignore[assignment]

    setattr(kind, name, timed)


def main() -> int:
    """Print what was measured; 1 where the goal is missed."""
    found = measure()
    print(json.dumps(found, indent=2))
    return 0 if found["added_percent"] <= GOAL_PERCENT else 1


if __name__ == "__main__":
    sys.exit(main())
