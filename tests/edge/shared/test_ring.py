"""The ring: one writer, many readers, nothing torn and every loss counted. Each reader copies by numpy and by C."""

from __future__ import annotations

import mmap
import os
from collections.abc import Iterator
from typing import Protocol

import numpy as np
import pytest

from slotwatch.edge.shared import memory, ring
from slotwatch.edge.shared.compiled import load_copying
from slotwatch.edge.shared.ring import (
    GUARD_ROWS,
    KEPT_ROWS,
    Ring,
    RingWriter,
    create_memory,
    size_bytes,
)
from slotwatch.edge.shared.ring_reader import Place, RingReader, owned
from slotwatch.wire.batch import COLUMNS, ROW_BYTES, Batch, empty
from tests.compiling import Built

ROWS = 2 * GUARD_ROWS


class Read(Protocol):
    """Makes a reader of one of both kinds."""

    def __call__(self, ring: Ring, tail: int, place: Place | None = None) -> RingReader: ...


@pytest.fixture(params=["numpy", "compiled"])
def read(request: pytest.FixtureRequest, built: Built) -> Read:
    compiled = built(load_copying) if request.param == "compiled" else None
    return lambda ring, tail, place=None: RingReader(ring, tail, place, compiled)


@pytest.fixture
def fd() -> Iterator[int]:
    made = create_memory(ROWS)
    yield made
    os.close(made)


@pytest.mark.parametrize("rows", [ROWS, 65_536])
def test_the_parents_sizes_are_the_rings_own(rows: int) -> None:
    assert memory.ring_bytes(rows) == size_bytes(rows)
    assert memory.RING_ROW_BYTES == ROW_BYTES
    assert 8 * ring.HEARTBEAT_NS == memory.RING_HEARTBEAT_AT
    assert memory.RING_HEADER_BYTES == ring.HEADER_BYTES
    assert len(memory.RING_COLUMN_BYTES) == len(COLUMNS)


def test_a_reader_sees_what_was_put_and_no_more(fd: int) -> None:
    writer, reader = RingWriter(fd, ROWS), Ring(fd, ROWS)
    writer.put(b"hello", t_ns=5, network=1, protocol=3, src_port=9)
    (batch,) = pieces(reader, 0, reader.head)
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
    assert [bytes(b.data[i, :1]) for b in pieces(reader, 0, 2) for i in range(len(b))] == [b"a", b"b"]


def pieces(of: Ring, first: int, end: int) -> list[Batch]:
    """The rows [first, end) as they lie in the ring."""
    return [of.packets.part(slice(*place)) for place in of.places_of(first, end)]


def put(writer: RingWriter, first: int, count: int) -> None:
    """Rows whose every column says their own number."""
    for number in range(first, first + count):
        word = number.to_bytes(4, "little")
        writer.put(word * 160, t_ns=number, src_port=number % 65_536, src=list(word * 4))


def numbers(batch: Batch) -> list[int]:
    """The number of each row, after asserting that all of the row says the same."""
    found = batch.t_ns.tolist()
    for row, number in enumerate(found):
        word = int(number).to_bytes(4, "little")
        assert bytes(batch.data[row, : batch.length[row]]) == word * 160
        assert (bytes(batch.src[row]), batch.src_port[row]) == (word * 4, number % 65_536)
    return found


def test_a_reader_that_was_overtaken_goes_on_in_the_middle_and_counts_what_is_gone(fd: int, read: Read) -> None:
    writer, ring_ = RingWriter(fd, ROWS), Ring(fd, ROWS)
    reader = read(ring_, 0)
    put(writer, 0, ROWS + 500)
    first = reader.take(ring_.head)
    assert first is not None
    middle = ROWS + 500 - ROWS // 2
    assert reader.lost == middle
    found = numbers(first)
    while (batch := reader.take(ring_.head)) is not None:
        found += numbers(batch)
    assert found == list(range(middle, ROWS + 500))


def test_rows_that_are_overwritten_while_they_are_copied_are_never_given_out(fd: int, read: Read) -> None:
    """The writer overtakes the reader between its look at the count and its copy."""
    writer, ring_ = RingWriter(fd, ROWS), Ring(fd, ROWS)
    memory = owned()
    overtakes = [ROWS, 1]

    def place(count: int, width: int) -> Batch:
        if overtakes:
            put(writer, ring_.head, overtakes.pop())
        return memory(count, width)

    reader = read(ring_, 0, place)
    put(writer, 0, ROWS - GUARD_ROWS)  # so far nothing is in the rows that intake may be filling
    assert reader.take(ring_.head) is None
    assert not overtakes
    found: list[int] = []
    while (batch := reader.take(ring_.head)) is not None:
        found += numbers(batch)
    assert found == list(range(reader.lost, ring_.head))
    assert len(found) >= GUARD_ROWS


def test_a_reader_beside_a_writer_that_never_waits_sees_whole_rows_only(fd: int, read: Read) -> None:
    """Some 50 laps of the ring while two processes share it; each row that is given out says one number throughout."""
    ring_ = Ring(fd, ROWS)
    reader = read(ring_, 0)
    child = os.fork()
    if not child:
        try:
            writer = RingWriter(fd, ROWS)
            packets, head = writer.ring.packets, 0
            while head < 50 * ROWS:
                start, room = writer.place()
                count = min(room, 700)
                rows = np.arange(head, head + count, dtype="<u4")
                packets.data[start : start + count, :640] = np.tile(rows[:, None], 160).view(np.uint8)
                packets.length[start : start + count] = 640
                packets.t_ns[start : start + count] = rows
                packets.src_port[start : start + count] = rows % 65_536
                packets.src[start : start + count] = np.tile(rows[:, None], 4).view(np.uint8)
                writer.publish(count)
                head += count
        finally:
            os._exit(0)
    given = 0
    ended = False
    while not ended:
        ended = os.waitpid(child, os.WNOHANG)[0] == child
        while (batch := reader.take(ring_.head)) is not None:
            found = numbers(batch)
            assert found == list(range(reader.tail - len(found), reader.tail))
            given += len(found)
    assert given + reader.lost == ring_.head
    assert given > 0


def test_where_all_rows_are_taken_the_next_ones_come_to_lie_at_the_first_place(fd: int, read: Read) -> None:
    writer, ring_ = RingWriter(fd, ROWS), Ring(fd, ROWS, reports=True)
    reader = read(ring_, 0)
    found: list[int] = []
    for turn in range(40):
        writer.rewind()
        assert writer.place()[0] == 0
        put(writer, 100 * turn, 100)
        while (batch := reader.take(ring_.head, 70)) is not None:
            found += numbers(batch)
    assert (found, reader.lost) == (list(range(4000)), 0)
    assert (ring_.head, ring_.origin) == (4000, 3900), "rows are counted on"


def test_rows_that_wait_stay_where_they_are(fd: int, read: Read) -> None:
    writer, ring_ = RingWriter(fd, ROWS), Ring(fd, ROWS, reports=True)
    reader = read(ring_, 0)
    put(writer, 0, 100)
    assert reader.take(ring_.head, 99) is not None
    writer.rewind()
    assert writer.place()[0] == 100
    (waiting,) = pieces(ring_, reader.tail, ring_.head)
    assert numbers(waiting) == [99]
    assert reader.take(ring_.head) is not None
    writer.rewind()
    assert writer.place()[0] == 0


def test_with_routes_rows_stay_until_they_were_routed_too(fd: int, read: Read) -> None:
    writer, judged, routed = RingWriter(fd, ROWS), Ring(fd, ROWS, reports=True), Ring(fd, ROWS, routes=True)
    reader = read(judged, 0)
    put(writer, 0, 100)
    assert reader.take(judged.head) is not None
    routed.routed_word[0] = 99
    writer.rewind(for_routes=True)
    assert writer.place()[0] == 100
    routed.routed_word[0] = 100
    writer.rewind(for_routes=True)
    assert writer.place()[0] == 0
    put(writer, 100, 50)
    routed.routed_word[0] = 150
    writer.rewind(for_routes=True)
    assert writer.place()[0] == 50, "judging has not taken them"


def test_without_a_reader_that_reports_nothing_is_rewound(fd: int, read: Read) -> None:
    writer, ring_ = RingWriter(fd, ROWS), Ring(fd, ROWS)
    reader = read(ring_, 0)
    put(writer, 0, 100)
    assert reader.take(ring_.head) is not None
    writer.rewind()
    assert writer.place()[0] == 100


def test_a_new_writer_and_a_new_reader_go_on_after_a_rewind(fd: int, read: Read) -> None:
    writer, ring_ = RingWriter(fd, ROWS), Ring(fd, ROWS, reports=True)
    put(writer, 0, 300)
    assert read(ring_, 0).take(ring_.head) is not None
    writer.rewind()
    put(writer, 300, 50)
    second = RingWriter(fd, ROWS)
    second.rewind()
    put(second, 350, 50)
    reader = read(Ring(fd, ROWS, reports=True), 300)
    batch = reader.take(ring_.head)
    assert batch is not None
    assert numbers(batch) == list(range(300, 400))


def test_a_reader_that_is_not_waited_for_loses_rows_and_is_given_no_others(fd: int, read: Read) -> None:
    writer, ring_, slow = RingWriter(fd, ROWS), Ring(fd, ROWS, reports=True), Ring(fd, ROWS)
    reader, unreported = read(ring_, 0), read(slow, 0)
    put(writer, 0, 300)
    assert reader.take(ring_.head) is not None
    first = unreported.take(slow.head, 100)
    assert first is not None
    writer.rewind()
    put(writer, 300, 20)
    assert not slow.was_whole(unreported.tail)
    assert [numbers(batch) for batch in pieces(slow, unreported.tail, slow.head)] == [list(range(300, 320))]
    batch = unreported.take(slow.head)
    assert batch is not None
    assert (numbers(batch), unreported.lost) == (list(range(300, 320)), 200)


def test_a_rewind_while_a_reader_copies_spoils_the_copy(fd: int, read: Read) -> None:
    writer, ring_, slow = RingWriter(fd, ROWS), Ring(fd, ROWS, reports=True), Ring(fd, ROWS)
    reader, memory = read(ring_, 0), owned()
    rewinds = [True]

    def place(count: int, width: int) -> Batch:
        if rewinds and rewinds.pop():
            assert reader.take(ring_.head) is not None
            writer.rewind()
            put(writer, 40, 10)
        return memory(count, width)

    put(writer, 0, 40)
    unreported = read(slow, 0, place)
    assert unreported.take(slow.head) is None, "what it was to copy is gone, and what came since is beyond its end"
    batch = unreported.take(slow.head)
    assert batch is not None
    assert (numbers(batch), unreported.lost) == (list(range(40, 50)), 40)


def test_a_reader_that_reports_loses_nothing_beside_a_writer_that_rewinds(fd: int, read: Read) -> None:
    """Two processes; the writer waits for room, every 1,000 rows for all to be taken, and rewinds where they are.

    Between those moments it is chance whether all are taken: on two idle processors the reader never caught up.
    """
    count = 60_000
    ring_ = Ring(fd, ROWS, reports=True)
    reader = read(ring_, 0)
    child = os.fork()
    if not child:
        rewound = 0
        try:
            writer = RingWriter(fd, ROWS)
            head = 0
            while head < count:
                if head - writer.ring.taken_word[0] > (200 if head % 1000 else 0):
                    os.sched_yield()
                    continue
                before = writer.ring.origin
                writer.rewind()
                rewound += writer.ring.origin != before
                put(writer, head, 20)
                head += 20
        finally:
            os._exit(0 if rewound >= count // 1000 - 1 else 1)
    given = 0
    while given < count:
        while (batch := reader.take(ring_.head)) is not None:
            found = numbers(batch)
            assert found == list(range(given, given + len(found)))
            given += len(found)
    assert os.waitpid(child, 0)[1] == 0
    assert reader.lost == 0


def test_memory_of_rows_that_waited_is_given_back_once_they_are_taken(read: Read) -> None:
    rows = 16_384
    fd = create_memory(rows)
    writer, ring_ = RingWriter(fd, rows), Ring(fd, rows, reports=True)
    reader = read(ring_, 0)
    put(writer, 0, 10_000)
    while reader.take(ring_.head) is not None:
        writer.release()
    held = os.fstat(fd).st_blocks * 512
    writer.rewind()
    put(writer, 10_000, 100)
    writer.release()
    assert os.fstat(fd).st_blocks * 512 < held * KEPT_ROWS / 10_000 + 4 * mmap.PAGESIZE * (len(COLUMNS) + 2)
    batch = reader.take(ring_.head)
    assert batch is not None
    assert numbers(batch) == list(range(10_000, 10_100))
    put(writer, 10_100, 10_000)
    while (batch := reader.take(ring_.head)) is not None:
        numbers(batch)
    assert (reader.tail, reader.lost) == (20_100, 0)
    os.close(fd)


def test_a_size_that_is_no_power_of_two_is_refused(fd: int) -> None:
    with pytest.raises(ValueError, match="power of two"):
        Ring(fd, 3000)


@pytest.mark.parametrize("length", [0, 1, 639, 640, 641, 1144, ROW_BYTES, ROW_BYTES + 1])
def test_a_packet_of_any_length_is_read_as_it_was_put(fd: int, length: int, read: Read) -> None:
    """640 bytes lie in the first plane; a full discovery page is 1,144 (ANSI E1.31-2018 4.3)."""
    writer, reader = RingWriter(fd, ROWS), Ring(fd, ROWS)
    packets = [bytes((number + k) % 256 for k in range(length)) for number in range(3)]
    for packet in packets:
        writer.put(packet)
    copies = read(reader, 0)
    batch = copies.take(reader.head)
    assert batch is not None
    kept = [packet[:ROW_BYTES] for packet in packets]
    assert [batch.data[row, : batch.length[row]].tobytes() for row in range(3)] == kept
    assert [reader.packet(row) for row in range(3)] == kept


@pytest.mark.parametrize("narrow", [False, True])
def test_compiled_and_numpy_copies_are_the_same(fd: int, built: Built, narrow: bool) -> None:
    """Random bytes in every column and packet, copies of any start, count and width; narrow: no room between rows."""
    copying = built(load_copying)
    writer, ring_ = RingWriter(fd, ROWS), Ring(fd, ROWS)
    chance = np.random.default_rng(narrow)
    packets = writer.ring.packets
    writer.publish(ROWS)
    for name, _, _ in COLUMNS:
        column = getattr(packets, name)
        column[:] = chance.integers(0, 200, column.shape, np.uint8)
    writer.ring.data[:] = chance.integers(0, 256, writer.ring.data.shape, np.uint8)
    writer.ring.far[:] = chance.integers(0, 256, writer.ring.far.shape, np.uint8)
    for longest in (0, 100, 638, 640, 700, ROW_BYTES):
        packets.length[:] = chance.integers(0, longest + 1, ROWS)
        start = int(chance.integers(GUARD_ROWS, ROWS - 40))
        copies = []
        for compiled in (None, copying):
            memory_of = empty(40)

            def place(count: int, width: int, into: Batch = memory_of) -> Batch:
                part = into.part(slice(0, count))
                if narrow:
                    part.data = np.zeros((count, width), np.uint8)
                return part

            copies.append(RingReader(ring_, start, place, compiled).take(ROWS, 40))
        for name in ("data", *(name for name, _, _ in COLUMNS)):
            expected, found = (getattr(copy, name) for copy in copies)
            assert len(expected) == 40
            assert np.array_equal(expected, found), (name, longest)
