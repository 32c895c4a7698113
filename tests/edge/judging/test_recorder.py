"""The flight recorder: bounded memory, whole packets where they fit, captures that tshark reads."""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
import signal
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from ipaddress import ip_address
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from sacn.messages.data_packet import DataPacket

from slotwatch.edge.judging.incident_captures import Captures, RecordedPackets, trim
from slotwatch.edge.judging.recorder import LOCKED, PART, RECORD, Recorder
from slotwatch.edge.shared.compiled import load_recording
from slotwatch.house.schema import House, Network
from slotwatch.house.service import RecorderTerms as Settings
from slotwatch.wire import batch
from slotwatch.wire.batch import Batch
from slotwatch.wire.universe import Protocol
from tests.compiling import Built
from tests.patience import PATIENCE_S, until

SECOND_NS = 1_000_000_000
WALL_OFFSET_NS = 1_700_000_000 * SECOND_NS


def house(directory: Path, memory_mib: int = 1, disk_mib: int = 512) -> House:
    return House(
        file=str(directory / "house.toml"),
        networks=(Network("A", "eth1"),),
        recorder=Settings(memory_mib=memory_mib, disk_mib=disk_mib),
    )


def packets(first: int, count: int, at_ns: int) -> Batch:
    """E1.31 packets composed by the sacn package, universe 7, sequence counting from `first`."""
    made = batch.empty(count)
    for row in range(count):
        raw = bytes(
            DataPacket(tuple(b"slotwatch-tests0"), "desk", 7, (1,) * 512, sequence=(first + row) % 256).getBytes()
        )
        made.data[row, : len(raw)] = np.frombuffer(raw, np.uint8)
        made.length[row] = len(raw)
        made.t_ns[row] = at_ns + row * 1000
    made.protocol[:] = Protocol.E131
    made.src_port[:] = 50_000
    made.src[:] = np.frombuffer(bytes(10) + b"\xff\xff\x0a\x14\x00\x0a", np.uint8)
    made.dst[:] = np.frombuffer(bytes(10) + b"\xff\xff\xef\xff\x00\x07", np.uint8)
    return made


def kept(recorder: Recorder, from_ns: int, to_ns: int) -> list[tuple[int, bytes, int]]:
    """Time, bytes and original length of each Enhanced Packet Block (IETF draft-ietf-opsawg-pcapng, 4.3)."""
    found = []
    for count, made in recorder.blocks(from_ns, to_ns):
        raw, at, before = made.tobytes(), 0, len(found)
        while at < len(raw):
            kind, size, _, high, low, captured, original = struct.unpack_from("<7I", raw, at)
            assert (kind, size % 4, raw[at + size - 4 : at + size]) == (6, 0, struct.pack("<I", size))
            found.append((high << 32 | low, raw[at + 28 : at + 28 + captured], original))
            at += size
        assert len(found) == before + count
    return found


def test_a_record_is_of_24_octets() -> None:
    assert RECORD.itemsize == 24


def test_what_fits_is_kept_whole_and_in_order(tmp_path: Path) -> None:
    recorder = Recorder(house(tmp_path))
    recorder.take(packets(0, 100, SECOND_NS))
    recorder.take(packets(100, 100, 2 * SECOND_NS))
    found = kept(recorder, 0, 10 * SECOND_NS)
    assert [raw[28 + 111] for _, raw, _ in found] == list(range(200))
    assert {len(raw) for _, raw, _ in found} == {638 + 28}
    assert [t_ns for t_ns, *_ in kept(recorder, 2 * SECOND_NS, 2 * SECOND_NS + 5000)] == [
        2 * SECOND_NS + 1000 * n for n in range(6)
    ]


def test_memory_is_bounded_and_what_lost_its_payload_keeps_its_record(tmp_path: Path) -> None:
    """1 MiB: 768 KiB hold about 1,130 packets of 638 bytes and what is known of each; 256 KiB hold 10,922 records."""
    recorder = Recorder(house(tmp_path))
    size = recorder.memory_bytes
    for turn in range(40):
        recorder.take(packets(turn * 100, 100, turn * SECOND_NS))
    assert recorder.memory_bytes == size <= 1024 * 1024
    found = kept(recorder, 0, 100 * SECOND_NS)
    assert len(found) == 4000
    whole = [raw for _, raw, _ in found if len(raw) == 666]
    assert 1000 <= len(whole) <= 1170
    assert all(original == 666 for *_, original in found)
    assert all(len(raw) == 28 for _, raw, _ in found[: 4000 - len(whole)])
    assert [t_ns for t_ns, *_ in found] == sorted(t_ns for t_ns, *_ in found)


def test_records_wrap_and_the_oldest_leave_first(tmp_path: Path) -> None:
    recorder = Recorder(house(tmp_path))
    most = recorder.most_records
    one = packets(0, 200, 0)
    for turn in range(most // 200 + 3):
        one.t_ns[:] = turn * SECOND_NS + np.arange(200)
        recorder.take(one)
    found = [t_ns for t_ns, *_ in kept(recorder, 0, 1 << 60)]
    assert len(found) == most
    assert found == sorted(found)
    assert found[-1] // SECOND_NS == most // 200 + 2


def _tshark(path: Path, *fields: str, words: tuple[str, ...] = ()) -> list[list[str]]:
    program = shutil.which("tshark")
    if program is None:
        if os.environ.get("CI"):
            pytest.fail("tshark is missing; CI has to have it")
        pytest.skip("tshark is not installed")
    asked = words or ("--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE")
    line = [program, *asked, "-r", str(path), "-T", "fields"]
    for field in fields:
        line += ["-e", field]
    done = subprocess.run(line, capture_output=True, text=True, timeout=PATIENCE_S)
    assert done.returncode == 0, done.stderr
    return [line.split("\t") for line in done.stdout.splitlines()]


@pytest.mark.tshark
def test_tshark_reads_what_was_written(tmp_path: Path) -> None:
    recorder = Recorder(house(tmp_path))
    recorder.take(packets(3, 5, 7 * SECOND_NS))
    path = tmp_path / "x.pcapng"
    assert recorder.write(path, 0, 100 * SECOND_NS, WALL_OFFSET_NS, ("A",)) == 5
    rows = _tshark(
        path, "frame.time_epoch", "ip.src", "ip.dst", "udp.srcport", "udp.dstport", "acn.dmx.universe",
        "acn.dmx.seq_number", "frame.interface_name", "ip.checksum.status",
    )  # fmt: skip
    assert [row[1:6] for row in rows] == [["10.20.0.10", "239.255.0.7", "50000", "5568", "7"]] * 5
    assert [int(row[6]) for row in rows] == [3, 4, 5, 6, 7]
    assert [row[0] for row in rows] == [f"1700000007.{n * 1000:09d}" for n in range(5)]
    assert {row[7] for row in rows} == {"A"}


@pytest.mark.tshark
def test_a_packet_of_which_only_the_record_is_left_is_cut_short_and_says_so(tmp_path: Path) -> None:
    recorder = Recorder(house(tmp_path))
    for turn in range(40):
        recorder.take(packets(turn * 100, 100, turn * SECOND_NS))
    path = tmp_path / "x.pcapng"
    recorder.write(path, 0, SECOND_NS // 2, WALL_OFFSET_NS, ("A",))
    rows = _tshark(path, "frame.len", "frame.cap_len", "ip.src", "ip.dst")
    assert rows == [["666", "28", "10.20.0.10", "239.255.0.7"]] * 100


def _written(captures: Captures, now_ns: int, path: Path) -> None:
    def is_written() -> bool:
        captures.turn(now_ns, WALL_OFFSET_NS)
        return path.exists()

    until(is_written)


def test_a_capture_is_written_some_seconds_after_its_incident_opened_for_all_that_opened_together(
    tmp_path: Path,
) -> None:
    settings = house(tmp_path)
    recorder = Recorder(settings)
    recorder.take(packets(0, 10, 7 * SECOND_NS))
    captures, found = Captures(settings, recorder), RecordedPackets(settings)
    captures.want(1, 6 * SECOND_NS, 8 * SECOND_NS)
    captures.want(2, 6 * SECOND_NS, 8 * SECOND_NS)
    captures.turn(9 * SECOND_NS, WALL_OFFSET_NS)
    assert found.path(1) is None
    _written(captures, 13 * SECOND_NS, tmp_path / "packets" / "incident-2.pcapng")
    one, two = found.path(1), found.path(2)
    assert one is not None
    assert two is not None
    assert one.samefile(two)
    assert found.path(3) is None


def test_a_directory_that_cannot_be_made_is_reported_and_stops_nothing(tmp_path: Path) -> None:
    settings = house(tmp_path)
    (tmp_path / "packets").write_text("in the way")
    captures = Captures(settings, Recorder(settings))
    captures.want(1, 0, 0)
    captures.turn(60 * SECOND_NS, WALL_OFFSET_NS)
    assert captures.trouble == (
        f"The capture of incident 1 could not be kept in {tmp_path / 'packets'}: it is no directory. The next incident"
        " tries again."
    )
    assert captures.failed == 1


def test_a_computer_without_room_for_a_process_is_reported_and_judging_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """EAGAIN of fork(2): the unit's TasksMax, or a limit of the user."""

    def no_fork() -> int:
        raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))

    settings = house(tmp_path)
    captures = Captures(settings, Recorder(settings))
    captures.want(1, 0, 0)
    with monkeypatch.context() as patched:
        patched.setattr(os, "fork", no_fork)
        captures.turn(60 * SECOND_NS, WALL_OFFSET_NS)
    assert (
        captures.trouble.endswith(": Resource temporarily unavailable. The next incident tries again.")
        and captures.failed == 1
    )
    captures.want(2, 0, 0)
    _written(captures, 60 * SECOND_NS, tmp_path / "packets" / "incident-2.pcapng")


class FullDisk(Recorder):
    """Fails after the header, as a disk does that has no room left (ENOSPC, write(2))."""

    is_full = True

    def blocks(
        self, from_ns: int, to_ns: int, wall_offset_ns: int = 0, networks: int = 1
    ) -> Iterator[tuple[int, NDArray[np.uint8]]]:
        yield from super().blocks(from_ns, to_ns, wall_offset_ns, networks)
        if self.is_full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_capture_that_fails_leaves_nothing_and_is_counted_and_reported_until_one_succeeds(tmp_path: Path) -> None:
    settings = house(tmp_path)
    recorder = FullDisk(settings)
    recorder.take(packets(0, 10, 7 * SECOND_NS))
    captures = Captures(settings, recorder)

    def turn(now_s: int) -> None:
        captures.turn(now_s * SECOND_NS, WALL_OFFSET_NS)

    for number in (1, 2):
        captures.want(number, 6 * SECOND_NS, 8 * SECOND_NS)
        until(lambda number=number: turn(13) or captures.failed == number)  # type: ignore[misc]
    assert list((tmp_path / "packets").iterdir()) == []
    assert "No space left on device. 2 have failed since the start." in captures.trouble
    recorder.is_full = False
    captures.want(3, 6 * SECOND_NS, 8 * SECOND_NS)
    until(lambda: turn(13) or not captures.trouble)
    assert [path.name for path in (tmp_path / "packets").iterdir()] == ["incident-3.pcapng"]
    assert captures.failed == 2


def test_what_fails_is_removed_while_nobody_else_can_write_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who waits for the lock (flock(2)) would write what is removed, and lose it."""
    locked: list[bool] = []
    unlink = Path.unlink

    def look_and_unlink(path: Path, missing_ok: bool = False) -> None:
        locked.append(_is_locked(path))
        unlink(path, missing_ok)

    monkeypatch.setattr(Path, "unlink", look_and_unlink)
    with pytest.raises(OSError, match="No space left"):
        FullDisk(house(tmp_path)).write(tmp_path / "incident-1.pcapng", 0, SECOND_NS, WALL_OFFSET_NS, ())
    assert locked == [True]
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_stays_locked_is_waited_for_within_a_limit(tmp_path: Path) -> None:
    """flock(2): the lock of another open file keeps this one out for as long as it is held."""
    path = tmp_path / "incident-3.pcapng"
    recorder = Recorder(house(tmp_path))
    with path.with_suffix(PART).open("ab") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(OSError, match="another program keeps the file locked") as found:
            recorder.write(path, 0, SECOND_NS, WALL_OFFSET_NS, (), lock_within_s=0.0)
        assert found.value.errno == LOCKED
    recorder.write(path, 0, SECOND_NS, WALL_OFFSET_NS, (), lock_within_s=0.0)
    assert path.is_file()


class Locked(Recorder):
    """Its file stays locked for longer than a writer waits."""

    def write(self, path: Path, *_: object, **__: object) -> int:
        raise OSError(LOCKED, "locked", str(path))


def test_a_capture_whose_file_stays_locked_is_reported_in_plain_words(tmp_path: Path) -> None:
    settings = house(tmp_path)
    captures = Captures(settings, Locked(settings))
    captures.want(1, 6 * SECOND_NS, 8 * SECOND_NS)
    until(lambda: captures.turn(13 * SECOND_NS, WALL_OFFSET_NS) or captures.failed == 1)  # type: ignore[func-returns-value]
    assert captures.trouble.endswith(": another program keeps its file locked. The next incident tries again.")


def test_what_a_killed_writer_left_is_cleared_at_start_and_counts_in_the_bound_until_then(tmp_path: Path) -> None:
    place = tmp_path / "packets"
    place.mkdir()
    (place / "incident-8.pcapng").write_bytes(bytes(1000))
    (place / "incident-9.pcapng").write_bytes(bytes(1000))
    (place / "incident-10.part").write_bytes(bytes(1000))
    os.utime(place / "incident-8.pcapng", (1, 1))
    trim(place, 2500)
    assert sorted(path.name for path in place.iterdir()) == ["incident-10.part", "incident-9.pcapng"]
    settings = house(tmp_path)
    Captures(settings, Recorder(settings))
    assert [path.name for path in place.iterdir()] == ["incident-9.pcapng"]


class Endless(Recorder):
    """Never comes to the end of its packets: its writer is in the middle of a capture until it is ended."""

    def blocks(
        self, from_ns: int, to_ns: int, wall_offset_ns: int = 0, networks: int = 1
    ) -> Iterator[tuple[int, NDArray[np.uint8]]]:
        signal.pause()
        yield from super().blocks(from_ns, to_ns, wall_offset_ns, networks)


def test_what_another_slotwatch_is_writing_stays_until_its_writer_has_ended(tmp_path: Path) -> None:
    """flock(2): a lock ends with the process that holds it, however that ends."""
    settings = house(tmp_path)
    part = tmp_path / "packets" / "incident-1.part"
    part.parent.mkdir()
    writer = os.fork()
    if not writer:
        Endless(settings).write(part.with_suffix(".pcapng"), 0, SECOND_NS, WALL_OFFSET_NS, ())
        os._exit(0)
    try:
        until(lambda: part.exists() and part.stat().st_size == 0 and _is_locked(part))
        Captures(settings, Recorder(settings))
        assert part.exists()
    finally:
        os.kill(writer, signal.SIGKILL)
        os.waitpid(writer, 0)
    Captures(settings, Recorder(settings))
    assert not part.exists()


def _is_locked(path: Path) -> bool:
    return f":{path.stat().st_ino} " in Path("/proc/locks").read_text()


def test_the_oldest_captures_leave_when_the_directory_is_full(tmp_path: Path) -> None:
    for number in range(5):
        path = tmp_path / f"incident-{number}.pcapng"
        path.write_bytes(bytes(1000))
        os.utime(path, (number, number))
    trim(tmp_path, 2500)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["incident-3.pcapng", "incident-4.pcapng"]
    trim(tmp_path, 10)
    assert [path.name for path in tmp_path.iterdir()] == ["incident-4.pcapng"], "the newest stays, however large"


def test_what_is_no_file_in_the_directory_of_captures_stops_no_capture_from_leaving(tmp_path: Path) -> None:
    for number in range(5):
        path = tmp_path / f"incident-{number}.pcapng"
        path.write_bytes(bytes(1000))
        os.utime(path, (number, number))
    (tmp_path / "incident-0.part").mkdir()
    (tmp_path / "incident-7.pcapng").mkdir()
    os.utime(tmp_path / "incident-7.pcapng", (0, 0))
    (tmp_path / "incident-8.pcapng").symlink_to(tmp_path / "nowhere")
    trim(tmp_path, 2500)
    left = sorted(path.name for path in tmp_path.iterdir() if path.is_file())
    assert left == ["incident-3.pcapng", "incident-4.pcapng"]


def test_an_ipv6_packet_keeps_its_addresses(tmp_path: Path) -> None:
    recorder = Recorder(house(tmp_path))
    one = packets(0, 1, SECOND_NS)
    one.src[:] = np.frombuffer(bytes.fromhex("fe80000000000000000000000000000a"), np.uint8)
    one.dst[:] = np.frombuffer(bytes.fromhex("ff180000000000000000000083000007"), np.uint8)
    recorder.take(one)
    ((_, raw, original),) = kept(recorder, 0, 2 * SECOND_NS)
    assert raw[0] >> 4 == 6
    assert (raw[8:24], raw[24:40]) == (one.src[0].tobytes(), one.dst[0].tobytes())
    assert original == len(raw) == 48 + 638


def test_a_batch_longer_than_the_memory_is_taken_in_parts(tmp_path: Path) -> None:
    settings = replace(house(tmp_path), recorder=Settings(memory_mib=1))
    recorder = Recorder(settings)
    many = batch.empty(recorder.most_records + 10)
    many.length[:] = 1
    many.src[:, 10:12] = 255
    many.t_ns[:] = np.arange(len(many))
    recorder.take(many)
    found = [t_ns for t_ns, *_ in kept(recorder, 0, 1 << 60)]
    assert found == list(range(10, len(many)))


@pytest.mark.tshark
def test_packets_of_every_kind_and_length_in_one_batch_are_written_as_they_came(tmp_path: Path) -> None:
    """What tshark finds in the file is what was received: addresses, ports, lengths, bytes, in order of arrival."""
    recorder, chance = Recorder(house(tmp_path)), np.random.default_rng(5)
    many = batch.empty(500)
    many.length[:] = chance.integers(0, 1216, 500)
    many.data[:] = chance.integers(0, 256, many.data.shape)
    many.t_ns[:] = np.arange(500) * 1_000_000
    many.protocol[:] = Protocol.E131
    many.src_port[:] = chance.integers(1, 65_536, 500)
    many.src[:], many.dst[:] = chance.integers(1, 256, (2, 500, 16))
    v4 = chance.random(500) < 0.5
    for side in (many.src, many.dst):
        side[v4, :12] = np.frombuffer(bytes(10) + b"\xff\xff", np.uint8)
        side[~v4, :2] = (0xFD, 0)
    recorder.take(many)
    path = tmp_path / "x.pcapng"
    assert recorder.write(path, 0, SECOND_NS, 0, ("A",)) == 500
    # As plain data: the bytes are no protocol's, and some dissector might take them for its own.
    fields = (
        "ip.src",
        "ipv6.src",
        "ip.dst",
        "ipv6.dst",
        "udp.srcport",
        "udp.length",
        "data.data",
        "ip.checksum.status",
    )
    rows = _tshark(
        path, *fields, words=("-o", "ip.check_checksum:TRUE", "--enable-protocol", "data", "-d", "udp.port==5568,data")
    )
    assert len(rows) == 500
    for number, row in enumerate(rows):
        addresses = [str(ip_address(side[number, 12 * v4[number] :].tobytes())) for side in (many.src, many.dst)]
        assert [row[0] or row[1], row[2] or row[3]] == addresses
        length = int(many.length[number])
        assert (int(row[4]), int(row[5])) == (many.src_port[number], 8 + length)
        assert row[6] == many.data[number, :length].tobytes().hex()
        assert row[7] == ("1" if v4[number] else "")


@pytest.mark.slow
def test_a_piece_that_does_not_fit_at_the_end_pushes_out_what_it_covers(tmp_path: Path) -> None:
    """Batches of many widths and lengths go round the memory some 20 times; what is kept is always what came."""
    recorder, chance = Recorder(house(tmp_path)), np.random.default_rng(6)
    number = 0
    for turn in range(400):
        some = batch.empty(int(chance.integers(1, 90)))
        some.length[:] = chance.integers(4, 1216, len(some))
        some.t_ns[:] = np.arange(number, number + len(some))
        some.data[:, :4] = some.t_ns.astype("<u4")[:, None].view(np.uint8)
        some.src[:, 10:12] = 255
        recorder.take(some)
        number += len(some)
        if turn % 20 == 19:
            found = kept(recorder, 0, 1 << 60)
            assert [t_ns for t_ns, *_ in found] == list(range(number - len(found), number))
            whole = [(t_ns, raw[28:32]) for t_ns, raw, _ in found if len(raw) > 28]
            assert all(raw == t_ns.to_bytes(4, "little") for t_ns, raw in whole)
            assert len(whole) > 300 or number < 1000


def test_the_compiled_recorder_keeps_the_same_as_numpy(tmp_path: Path, built: Built) -> None:
    """Random addresses of both kinds, networks and lengths, over and over the ring of records."""
    recording = built(load_recording)
    recorders = [Recorder(house(tmp_path)), Recorder(house(tmp_path), recording)]
    chance = np.random.default_rng(8)
    most, sent = recorders[0].most_records, 0
    while sent < 2 * most + 500:
        count = int(chance.integers(1, 1025))
        made = batch.empty(count)
        made.data[:] = chance.integers(0, 256, made.data.shape, np.uint8)
        made.length[:] = chance.integers(0, 700, count)
        made.t_ns[:] = (sent + np.arange(count)) * 1000
        made.network[:] = chance.choice([0, 1, 254, 255, 256, batch.NETWORK_UNKNOWN], count)
        made.src_port[:] = chance.integers(0, 65536, count)
        made.protocol[:] = chance.choice([int(Protocol.E131), int(Protocol.ARTNET)], count)
        for column in (made.src, made.dst):
            column[:] = chance.integers(0, 256, column.shape, np.uint8)
            mapped = chance.random(count) < 0.7
            column[mapped, :12] = np.frombuffer(bytes(10) + b"\xff\xff", np.uint8)
        for recorder in recorders:
            recorder.take(made)
        sent += count
    expected, found = ([(count, made.tobytes()) for count, made in one.blocks(0, 1 << 62)] for one in recorders)
    assert sum(count for count, _ in expected) > most // 2
    assert expected == found
