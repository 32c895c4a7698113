"""The flight recorder: the last minute of packets in memory.

Two rings of fixed size share the memory that the house allows. A quarter holds a 24-byte record of every packet;
the remainder, the arena, holds whole packets, each batch at the width of its longest. What is older than the packets is
still there as a record: who sent to which address when. Judging copies rows from intake's ring straight into the
arena and judges them there, so that recording costs no copy of its own.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from slotwatch import clock
from slotwatch.durations import ns_from_s
from slotwatch.edge.shared.compiled import Recording
from slotwatch.house.schema import House
from slotwatch.wire import pcap, pcap_blocks
from slotwatch.wire.batch import COLUMNS, ROW_BYTES, Batch, addresses_of

RECORD = np.dtype(
    [
        ("t_ns", "<i8"),
        ("src", "<u4"),  # the last four bytes of the sender's address, in the byte order of the packet
        ("dst", "<u4"),
        ("length", "<u2"),
        ("src_port", "<u2"),
        ("network", "u1"),
        ("protocol", "u1"),
        ("is_v6", "u1"),
        ("unused", "u1"),
    ]
)
RECORDS_SHARE = 4
"""The records get this share of the memory: one part in four."""
LINK_RAW_IP = 101
"""LINKTYPE_RAW: what is kept of a packet begins with a new IP header; everything after it is as it came."""
MIB = 1024 * 1024
PART = ".part"
"""Ending of a capture that is being written. Only a whole one gets its own name."""
LOCK_WITHIN_S = 60.0
"""Longer than a writer of all that is kept takes, at idle priority on a slow disk; common practice, no source."""
LOCK_AGAIN_S = 0.1
LOCKED = errno.ETXTBSY
"""Stands for a file that another program keeps locked. Nothing else of a capture fails with it."""
LINE_BYTES = 64
"""Rows and columns begin where a line of the processor's cache begins."""
_COLUMN_BYTES = sum(np.dtype(dtype).itemsize * int(np.prod(inner, dtype=int)) for _, dtype, inner in COLUMNS)
_MAPPED = np.uint64(0xFFFF0000)
"""The middle of an IPv4 address that is written as ::ffff:a.b.c.d, in the upper half of its 16 bytes."""
WRITTEN_AT_ONCE = 1024


@dataclass(slots=True)
class Piece:
    """Whole packets of one batch."""

    first: int
    """Number of its first record since the start."""
    count: int
    width: int
    place: int
    """Where it begins in the arena."""
    end: int


class Recorder:
    """Keeps as many of the last packets as its memory holds, oldest out first."""

    def __init__(self, house: House, compiled: Recording | None = None) -> None:
        """compiled: writes the records where it is there; without it numpy does, with the same result."""
        self._compiled = compiled
        self._ports = {int(protocol): port for protocol, port in house.listen.ports.items()}
        memory = house.recorder.memory_mib * MIB
        self.seconds = house.recorder.seconds
        self._records = np.zeros(max(1024, memory // RECORDS_SHARE // RECORD.itemsize), RECORD)
        self._arena = np.zeros(memory - memory // RECORDS_SHARE, np.uint8)
        self._bytes, self._address = self._arena.data, self._arena.ctypes.data
        self._records_address = self._records.ctypes.data
        self._words = np.zeros(len(COLUMNS) + 6, np.int64)
        self._words_address = self._words.ctypes.data
        self._usable = len(self._arena) - ROW_BYTES
        """A row is read as if it were ROW_BYTES wide: beyond its width are other rows, which never count."""
        self._pieces: deque[Piece] = deque()
        self._count = 0
        self._cursor = 0

    @property
    def memory_bytes(self) -> int:
        """Bytes of memory that it takes, now and ever."""
        return self._arena.nbytes + self._records.nbytes

    @property
    def most_records(self) -> int:
        """Packets of which a record is kept."""
        return len(self._records)

    def place(self, count: int, width: int) -> Batch:
        """Give room for at most `count` rows of `width` bytes; `keep` it once it is filled. Older packets leave."""
        width = _lines(width)
        count = min(count, len(self._records), (self._usable - LINE_BYTES) // (width + _COLUMN_BYTES))
        size = _lines(count * _COLUMN_BYTES) + count * width
        if self._cursor + size > self._usable:
            while self._pieces and self._pieces[0].place >= self._cursor:
                self._pieces.popleft()
            self._cursor = 0
        end = self._cursor + size
        while self._pieces and self._pieces[0].place < end and self._cursor < self._pieces[0].end:
            self._pieces.popleft()
        self._next = Piece(self._count, count, width, self._cursor, end)
        return self._batch(self._next)

    def keep(self, batch: Batch) -> None:
        """Keep what `place` gave last, filled."""
        if self._compiled is not None and len(batch):
            self._record_compiled(self._compiled, batch)
        else:
            self._record(batch)
        self._pieces.append(self._next)
        self._cursor = self._next.end
        self._count += len(batch)

    def _record_compiled(self, compiled: Recording, batch: Batch) -> None:
        # `place` made the columns, so each is contiguous.
        most, words = len(self._records), self._words
        words[:] = (*addresses_of(batch), len(batch), self._records_address, most, self._count % most)
        compiled.record(self._words_address)

    def _record(self, batch: Batch) -> None:
        rows = np.zeros(len(batch), RECORD)
        src, dst = batch.src.view("<u4"), batch.dst.view("<u4")
        rows["t_ns"], rows["length"] = batch.t_ns, batch.length
        rows["src"], rows["dst"] = src[:, 3], dst[:, 3]
        rows["src_port"], rows["protocol"] = batch.src_port, batch.protocol
        rows["network"] = np.minimum(batch.network, 255)
        rows["is_v6"] = (src[:, 2] != _MAPPED) | (src[:, 0] != 0)
        first = self._count % len(self._records)
        room = min(len(rows), len(self._records) - first)
        self._records[first : first + room] = rows[:room]
        self._records[: len(rows) - room] = rows[room:]

    def take(self, batch: Batch) -> None:
        """Copy a batch and keep it."""
        first = 0
        while first < len(batch):
            longest = int(batch.length[first : first + WRITTEN_AT_ONCE].max())
            room = self.place(min(WRITTEN_AT_ONCE, len(batch) - first), longest)
            part = batch.part(slice(first, first + len(room)))
            for name, _, _ in COLUMNS:
                getattr(room, name)[:] = getattr(part, name)
            room.data[:, :longest] = part.data[:, :longest]
            self.keep(room)
            first += len(room)

    def _batch(self, piece: Piece) -> Batch:
        """A piece's packets where they lie."""
        place, columns = piece.place, {}
        addresses = [0, piece.width]
        for name, dtype, inner in COLUMNS:
            column = np.ndarray((piece.count, *inner), dtype, self._bytes, place)
            columns[name] = column
            addresses.append(self._address + place)
            place += column.nbytes
        rows = piece.end - piece.count * piece.width
        data: NDArray[np.uint8] = np.ndarray(
            (piece.count, ROW_BYTES), np.uint8, self._bytes, rows, strides=(piece.width, 1)
        )
        addresses[0] = self._address + rows
        return Batch(data=data, wall_offset_ns=0, addresses=tuple(addresses), **columns)

    def blocks(
        self, from_ns: int, to_ns: int, wall_offset_ns: int = 0, networks: int = 1
    ) -> Iterator[tuple[int, NDArray[np.uint8]]]:
        """What is kept of an interval as pcapng blocks, oldest first: how many packets, and their bytes.

        Where only the record is left, the packet is its IP and UDP header; of IPv6 not even that is known.
        networks: packets of other networks are listed under the first.
        """
        oldest = max(0, self._count - len(self._records))
        kept = self._pieces[0].first if self._pieces else self._count
        for first in range(oldest, min(kept, self._count), WRITTEN_AT_ONCE):
            numbers = np.arange(first, min(first + WRITTEN_AT_ONCE, kept))
            rows = self._records[numbers % len(self._records)]
            rows = rows[(rows["t_ns"] >= from_ns) & (rows["t_ns"] <= to_ns) & (rows["is_v6"] == 0)]
            if len(rows):
                addresses = np.zeros((2, len(rows), 16), np.uint8)
                addresses[:, :, 10:12] = 255
                addresses[0, :, 12:] = rows["src"].copy().view(np.uint8).reshape(-1, 4)
                addresses[1, :, 12:] = rows["dst"].copy().view(np.uint8).reshape(-1, 4)
                headers = pcap_blocks.Headers(
                    addresses[0], addresses[1], rows["src_port"], self._to(rows["protocol"]), rows["length"]
                )
                shown = np.where(rows["network"] < networks, rows["network"], 0)
                yield len(rows), pcap_blocks.packets(rows["t_ns"] + wall_offset_ns, shown, headers, None)
        for piece in self._pieces:
            batch = self._batch(piece)
            # Records may be gone before their packets are; both leave oldest first.
            known = np.arange(piece.count) >= oldest - piece.first
            wanted = np.flatnonzero(known & (batch.t_ns >= from_ns) & (batch.t_ns <= to_ns))
            if len(wanted):
                to, length = self._to(batch.protocol[wanted]), batch.length[wanted]
                headers = pcap_blocks.Headers(batch.src[wanted], batch.dst[wanted], batch.src_port[wanted], to, length)
                shown = np.where(batch.network[wanted] < networks, batch.network[wanted], 0)
                stamps = batch.t_ns[wanted] + wall_offset_ns
                yield len(wanted), pcap_blocks.packets(stamps, shown, headers, batch.data[wanted])

    def _to(self, protocol: NDArray[np.uint8]) -> NDArray[np.uint16]:
        """The port that packets of each protocol are sent to."""
        table = np.zeros(256, np.uint16)
        for number, port in self._ports.items():
            table[number] = port
        return table[protocol]

    def write(
        self,
        path: Path,
        from_ns: int,
        to_ns: int,
        wall_offset_ns: int,
        networks: tuple[str, ...],
        lock_within_s: float = LOCK_WITHIN_S,
    ) -> int:
        """Write what is kept of an interval as pcapng; returns the packets written.

        OSError: it cannot be written; LOCKED where another program kept its file locked for `lock_within_s`.
        """
        interfaces = [pcap.CaptureInterface(LINK_RAW_IP, name=name, resolution=9) for name in networks or ("any",)]
        count = 0
        part = path.with_suffix(PART)
        # Its lock ends last: who waits for it must find another file there, or none.
        with _open_part(part, lock_within_s) as file:
            try:
                file.write(pcap_blocks.header(interfaces))
                for packets, raw in self.blocks(from_ns, to_ns, wall_offset_ns, len(interfaces)):
                    file.write(raw.data)
                    count += packets
                file.flush()
                part.replace(path)
            except BaseException:
                # On a full disk it holds the very bytes that the next capture needs.
                part.unlink(missing_ok=True)
                raise
        return count


def _lines(size: int) -> int:
    return (size + LINE_BYTES - 1) // LINE_BYTES * LINE_BYTES


def _open_part(part: Path, within_s: float) -> BinaryIO:
    """Open what will be a capture, empty and locked: the lock says that its writer lives, and ends with it."""
    deadline_ns = clock.monotonic_ns() + ns_from_s(within_s)
    while True:
        file = part.open("ab")
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            file.close()
            if clock.monotonic_ns() >= deadline_ns:
                raise OSError(LOCKED, "another program keeps the file locked", str(part)) from None
            time.sleep(LOCK_AGAIN_S)
            continue
        except OSError:  # a file system without locks
            pass
        with contextlib.suppress(FileNotFoundError):  # whoever cleared it, or wrote it, was faster
            if os.path.samestat(os.fstat(file.fileno()), part.stat()):
                file.truncate(0)
                return file
        file.close()


def remove_part(part: Path) -> None:
    """Remove what a writer that was killed left of a capture. One that is still being written stays. OSError."""
    with part.open("r+b") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return
        except OSError:  # a file system without locks
            pass
        part.unlink()
