"""What a flood filled is empty memory once it is over, and nothing of a desk is changed by that."""

from __future__ import annotations

import numpy as np
import pytest

from slotwatch.edge.shared.compiled import Compiled, load
from slotwatch.house.schema import DeclaredUniverse, House
from slotwatch.model.forgetting import MANY_REMOVED
from slotwatch.model.model import Model
from slotwatch.wire.decode import decode
from slotwatch.wire.universe import Protocol, UniverseId
from tests.model.packets import MS, SECOND, START, Sent, batch_of, cid, e131, frames

HOUSE = House(universes=(DeclaredUniverse(UniverseId(Protocol.E131, 1)),))
LASTS_S = 80
FLOOD = [
    Sent(START + 2 * SECOND + n * MS, e131(b"\xff" * 8, universe=100 + n, source=cid(9)), "10.9.0.9")
    for n in range(2 * MANY_REMOVED)
]


def played(compiled: Compiled | None, flood: list[Sent]) -> Model:
    desk = frames(LASTS_S * 20, every_ns=50 * MS, source=cid(1), level_of=lambda n: n % 250)
    sent = sorted([*desk, *flood], key=lambda one: one.t_ns)
    model = Model(HOUSE, START, compiled)
    for first in range(0, len(sent), 16):
        batch = batch_of(sent[first : first + 16])
        for others in model.take_routine(batch):
            model.ingest(others, decode(others))
        model.advance(int(batch.t_ns[-1]))
    model.advance(START + LASTS_S * SECOND)
    return model


@pytest.mark.parametrize("compiled", [load(), None], ids=["compiled", "numpy"])
def test_a_flood_leaves_rows_without_memory_and_a_desk_as_it_is(compiled: Compiled | None) -> None:
    """New columns of zeros take memory only where rows are in use: calloc(3) of more than a page."""
    model, calm = played(compiled, FLOOD), played(compiled, [])
    streams = model.streams
    assert (streams.filled, streams.removed) == (1, 0)
    assert streams.capacity >= 2 * MANY_REMOVED
    for table in (streams, model.universes):
        for name in set(table.column_names) - {"generation"}:
            assert not getattr(table, name)[~table.used].any(), name
    (row,), (alone,) = streams.rows(), calm.streams.rows()
    for name in set(streams.column_names) - {"generation"}:
        np.testing.assert_array_equal(getattr(streams, name)[row], getattr(calm.streams, name)[alone], name)
    np.testing.assert_array_equal(streams.windows.ring[:, :, row], calm.streams.windows.ring[:, :, alone])
