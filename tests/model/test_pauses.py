"""Long pauses in a row, against counting frame by frame."""

from __future__ import annotations

from itertools import pairwise
from random import Random

import numpy as np
import pytest

from slotwatch.house.schema import House
from slotwatch.model.model import Model
from slotwatch.wire.decode import decode
from tests.judge.stage import COMPILED, START_NS, Packet, S, e131, group_of, make_batch

PAUSE_S, ROW_S = 1.5, 30.0
"""`pause_s` and `row_s` of uneven-refresh in docs/rules.md."""
TENTH_S = 0.1


def counted(moments_s: list[float]) -> int:
    """Pauses in a row by the last frame. Each ends in the tenth of a second of its frame."""
    pauses, ended_s = 0, -1e9
    for before_s, t_s in pairwise(moments_s):
        if t_s - before_s >= PAUSE_S:
            end_s = round(t_s / TENTH_S - 0.5) * TENTH_S
            pauses = pauses + 1 if end_s - ended_s <= ROW_S + 1e-6 else 1
            ended_s = end_s
    return pauses


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(("at_once", "is_compiled"), [(1, False), (50, False), (50, True)])
def test_pauses_are_counted_as_frame_by_frame(seed: int, at_once: int, is_compiled: bool) -> None:
    """Two desks whose levels move with each frame, and which pause for 1.2 to 2.4 s at times."""
    chance = Random(seed)
    model = Model(House(), START_NS, COMPILED if is_compiled else None)
    moments: dict[int, list[float]] = {1: [], 2: []}
    packets = list[Packet]()
    for number, its in moments.items():
        t_s = 1.013
        for index in range(900):
            # A pause of 1.2 s is none; pauses are 1 to 40 s apart. Frames lie at least 12 ms from the edges of tenths.
            paused = index > 200 and chance.random() < 0.004
            t_s += chance.choice((1.2, 1.6, 2.4)) if paused else 0.025
            its.append(t_s)
            levels = bytes([index % 250]) * 8
            data = e131(number, index, levels, cid=bytes([number]) * 16)
            packets.append(Packet(t_s, data, f"10.0.0.{number}", group_of(number)))
    packets.sort(key=lambda packet: packet.t_s)
    for first in range(0, len(packets), at_once):
        batch = make_batch(packets[first : first + at_once])
        for others in model.take_routine(batch):
            model.ingest(others, decode(others))
        model.advance(START_NS + round(packets[min(first + at_once, len(packets)) - 1].t_s * S))
    table = model.streams
    rows = np.flatnonzero(table.used[: table.top]).tolist()
    found = {int(table.number[row]): int(table.pauses[row]) for row in rows}
    assert found == {number: counted(its) for number, its in moments.items()}
    assert any(found.values())
