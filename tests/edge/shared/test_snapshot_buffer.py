"""The snapshot buffer: a snapshot crosses whole or not at all."""

from __future__ import annotations

import mmap
import os
import signal
import struct
import threading
from collections.abc import Iterator

import numpy as np
import pytest

from slotwatch.edge.shared import memory
from slotwatch.edge.shared import snapshot_buffer as snapshots
from slotwatch.edge.shared.snapshot_buffer import SnapshotReader, SnapshotWriter, create_memory
from slotwatch.snapshot import HouseView, Snapshot
from slotwatch.snapshot.columns import UNIVERSE_COLUMNS
from slotwatch.snapshot.slot_owners import SlotOwners, none_owned


@pytest.fixture
def fd() -> Iterator[int]:
    made = create_memory()
    yield made
    os.close(made)


def owned_by(number: int, universes: int) -> SlotOwners:
    """One stream wins all slots; on half of the universes slot by slot."""
    owners = none_owned(universes)
    owners.stream[:], owners.slots[:] = number, 512
    owners.shared = np.arange(universes // 2, dtype=np.int32)
    owners.each = np.full((universes // 2, 512), number, np.int16)
    return owners


def snapshot(number: int, universes: int) -> Snapshot:
    """A snapshot whose every value says which one it is."""
    return Snapshot(
        sequence=number,
        now_ns=number,
        wall_offset_ns=0,
        started_ns=0,
        house=HouseView("house", "dark", 0, "port", ("A",)),
        universes={name: np.full(universes, number % 100).astype(dtype) for name, dtype in UNIVERSE_COLUMNS},
        universe_names=tuple(f"e131/{n + 1}" for n in range(universes)),
        universe_labels=("",) * universes,
        streams={},
        sources=(),
        levels=np.full((universes, 512), number % 256, np.uint8),
        slot_owners=owned_by(number, universes),
        incidents=(),
    )


def test_nothing_is_read_before_the_first_publication(fd: int) -> None:
    assert SnapshotReader(fd).read() is None


def test_a_snapshot_is_read_as_it_was_published_and_growing_ones_fit(fd: int) -> None:
    writer, reader = SnapshotWriter(fd), SnapshotReader(fd)
    for number, universes in ((1, 1), (2, 4096), (3, 0), (4, 16)):
        writer.publish(snapshot(number, universes))
        read = reader.read()
        assert read is not None
        assert (read.sequence, len(read.universe_names), read.levels.shape) == (number, universes, (universes, 512))
        assert read.slot_owners == owned_by(number, universes)


def test_the_same_publication_is_decoded_once(fd: int) -> None:
    writer, reader = SnapshotWriter(fd), SnapshotReader(fd)
    writer.publish(snapshot(1, 2))
    assert reader.read() is reader.read()


def test_a_new_reader_finds_the_last_publication_of_a_writer_that_is_gone(fd: int) -> None:
    SnapshotWriter(fd).publish(snapshot(7, 2))
    read = SnapshotReader(fd).read()
    assert read is not None
    assert read.sequence == 7


def test_a_writer_killed_in_the_middle_leaves_the_last_snapshot_readable(fd: int) -> None:
    writer = SnapshotWriter(fd)
    writer.publish(snapshot(1, 2))
    # The half of publication 2 as a killed writer leaves it: odd number, garbage inside.
    with mmap.mmap(fd, memory.SNAPSHOTS_HEADER_BYTES + 64) as shared:
        struct.pack_into("<Q", shared, 64, 3)
        shared[memory.SNAPSHOTS_HEADER_BYTES :] = b"\xff" * 64
    read = SnapshotReader(fd).read()
    assert read is not None
    assert read.sequence == 1
    SnapshotWriter(fd).publish(snapshot(2, 2))
    again = SnapshotReader(fd).read()
    assert again is not None
    assert again.sequence == 2


def test_no_reading_is_torn_while_another_thread_publishes(fd: int) -> None:
    """Every array of one snapshot carries its number: a mixture of two would show."""
    writer, reader = SnapshotWriter(fd), SnapshotReader(fd)
    writer.publish(snapshot(1, 64))
    thread = threading.Thread(target=lambda: [writer.publish(snapshot(n, 64)) for n in range(2, 400)])
    thread.start()
    try:
        while thread.is_alive():
            read = reader.read()
            assert read is not None
            assert read.slot_owners == owned_by(read.sequence, 64)
            assert (read.levels == read.sequence % 256).all()
    finally:
        thread.join()


def test_a_snapshot_that_cannot_fit_is_refused_and_the_last_one_stays(fd: int, monkeypatch: pytest.MonkeyPatch) -> None:
    writer, reader = SnapshotWriter(fd), SnapshotReader(fd)
    writer.publish(snapshot(1, 2))
    with monkeypatch.context() as small:
        small.setattr(snapshots, "HALF_BYTES", 1000)
        with pytest.raises(ValueError, match="does not fit"):
            writer.publish(snapshot(2, 2))
    read = reader.read()
    assert read is not None
    assert read.sequence == 1


def test_the_time_of_a_turn_is_read_whole_while_judging_writes_it() -> None:
    """One octet of another time, or none written yet, and the parent would end judging as stuck."""
    made = memory.make(2048)
    whole = [int.from_bytes(bytes([octet]) * 8, "little") for octet in (1, 2)]
    writer, progress = SnapshotWriter(made["snapshots"]), memory.Progress(made["ring"], made["snapshots"])
    writer.turn(whole[0], 1, 1)
    child = os.fork()  # threads of one process would take turns, and hide it
    if not child:
        while True:
            for time_ns in whole:
                writer.turn(time_ns, 1, 1)
    try:
        read = {progress.turned_ns()["judging"] for _ in range(300_000)}
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        progress.close()
        writer.close()
        for fd in made.values():
            os.close(fd)
    assert read == set(whole)


def test_progress_is_read_where_the_parent_looks_for_it(fd: int) -> None:
    writer = SnapshotWriter(fd)
    writer.turn(12, 34, 5)
    assert writer.progress() == (12, 34, 5)
    assert int.from_bytes(os.pread(fd, 8, memory.SNAPSHOTS_PROGRESS_AT), "little") == 12
