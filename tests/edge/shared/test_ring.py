"""The ring: one writer, many readers, nothing torn and every loss counted."""

from __future__ import annotations

import os
from collections.abc import Iterator

import numpy as np
import pytest

from slotwatch.edge.shared import memory, ring
from slotwatch.edge.shared.ring import GUARD_ROWS, Ring, RingWriter, create_memory, size_bytes
from slotwatch.wire.batch import COLUMNS, ROW_BYTES

ROWS = 2 * GUARD_ROWS


@pytest.fixture
def fd() -> Iterator[int]:
    made = create_memory(ROWS)
    yield made
    os.close(made)


@pytest.mark.parametrize("rows", [ROWS, 65_536])
def test_the_parents_sizes_are_the_rings_own(rows: int) -> None:
    assert memory.ring_bytes(rows) == size_bytes(rows)
    assert memory.RING_ROW_BYTES == ROW_BYTES
    assert ring.HEADER.fields["heartbeat_ns"][1] == memory.RING_HEARTBEAT_AT
    assert len(memory.RING_COLUMN_BYTES) == len(COLUMNS)


def test_a_reader_sees_what_was_put_and_no_more(fd: int) -> None:
    writer, reader = RingWriter(fd, ROWS), Ring(fd, ROWS)
    writer.put(b"hello", t_ns=5, network=1, protocol=3, src_port=9)
    (batch,) = reader.read(0, reader.head)
    assert (len(batch), batch.t_ns[0], batch.network[0], batch.protocol[0]) == (1, 5, 1, 3)
    assert bytes(batch.data[0, : batch.length[0]]) == b"hello"
    assert not reader.data.flags.writeable


def test_a_new_writer_goes_on_where_the_last_one_ended(fd: int) -> None:
    first, reader = RingWriter(fd, ROWS), Ring(fd, ROWS)
    first.put(b"a")
    first.turn(10, 20, kernel_drops=4)
    second = RingWriter(fd, ROWS)
    second.put(b"b")
    second.turn(11, 20, kernel_drops=1)
    assert (reader.head, reader.generation, reader.kernel_drops) == (2, 2, 5)
    assert [bytes(b.data[i, :1]) for b in reader.read(0, 2) for i in range(len(b))] == [b"a", b"b"]


def test_a_reader_that_slept_too_long_can_tell_what_is_gone(fd: int) -> None:
    writer, reader = RingWriter(fd, ROWS), Ring(fd, ROWS)
    for number in range(ROWS + 500):
        writer.put(number.to_bytes(4, "little"))
    assert not reader.still_there(0)
    assert reader.oldest() == 500 + GUARD_ROWS
    rows = np.concatenate([b.data[:, :4].copy().view("<u4")[:, 0] for b in reader.read(reader.oldest(), reader.head)])
    assert rows.tolist() == list(range(500 + GUARD_ROWS, ROWS + 500))


def test_a_size_that_is_no_power_of_two_is_refused(fd: int) -> None:
    with pytest.raises(ValueError, match="power of two"):
        Ring(fd, 3000)
