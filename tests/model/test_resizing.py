"""Changes of a stream's number of slots to and fro, against counting frame by frame."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from slotwatch.house.schema import House
from slotwatch.model.model import Model
from slotwatch.wire.decode import decode
from tests.judge.stage import START_NS, Packet, e131, group_of, make_batch

SIZES = (512, 24, 300)
WITH_NONE = (0, 512, 24)
ROW_S = 2.0
"""`row_s` of docs/rules.md."""


def counted(frames: list[tuple[float, int]]) -> int:
    """Changes to and fro in a row by the last frame. frames: time and number of slots."""
    kept, before, turns, turned_s = frames[0][1], -1, 0, -1e9
    for t_s, slots in frames[1:]:
        if slots == kept:
            continue
        if slots == before:
            turns = turns + 1 if t_s - turned_s <= ROW_S else 1
            turned_s = t_s
        kept, before = slots, kept
    return turns


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("at_once", [1, 7, 60])
@pytest.mark.parametrize("sizes", [SIZES, WITH_NONE])
def test_turns_are_counted_as_frame_by_frame(seed: int, at_once: int, sizes: tuple[int, ...]) -> None:
    """Three desks in one batch, at paces that part some rows of changes."""
    chance, model = Random(seed), Model(House(), START_NS)
    frames: dict[int, list[tuple[float, int]]] = {1: [], 2: [], 3: []}
    packets, t_s = list[Packet](), 0.5
    for index in range(240):
        t_s += chance.choice((0.025, 0.025, 0.3, 2.5) if seed % 2 else (0.025, 0.05))
        for universe, sent in frames.items():
            slots = chance.choice(sizes[: 2 + universe % 2])
            sent.append((t_s, slots))
            data = e131(universe, index, bytes([index % 250]) * slots, cid=bytes([universe]) * 16)
            packets.append(Packet(t_s, data, f"10.0.0.{universe}", group_of(universe)))
    for start in range(0, len(packets), at_once):
        batch = make_batch(packets[start : start + at_once])
        model.advance(int(batch.t_ns[0]))
        model.ingest(batch, decode(batch))
    table = model.streams
    rows = np.flatnonzero(table.used)
    found = {int(table.number[row]): int(table.slot_turns[row]) for row in rows.tolist()}
    assert found == {universe: counted(sent) for universe, sent in frames.items()}
