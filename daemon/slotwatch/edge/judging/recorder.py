"""The flight recorder: the last minute of packets in memory, and a capture on disk around each incident.

Two rings of fixed size share the memory that the house allows. A quarter holds a 24-octet record of every packet;
the rest holds payloads, each batch cut to its longest. What is older than the payloads is still there as a record:
who sent what universe with which sequence number, when. Writing is done by a forked process, whose picture of the
memory stands still while judging goes on.
"""

from __future__ import annotations

import contextlib
import errno
import os
import struct
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slotwatch.edge.shared.places import state_place
from slotwatch.house.schema import House
from slotwatch.wire import pcap
from slotwatch.wire.batch import Batch
from slotwatch.wire.universe import Protocol

RECORD = np.dtype(
    [
        ("t_ns", "<i8"),
        ("src", "<u4"),  # the last four octets of the sender's address
        ("length", "<u2"),
        ("src_port", "<u2"),
        ("universe", "<u2"),
        ("network", "u1"),
        ("protocol", "u1"),
        ("sequence", "u1"),
        ("priority", "u1"),
        ("start_code", "u1"),
        ("flags", "u1"),
    ]
)
RECORDS_SHARE = 4
"""One part in so many of the memory is for records."""
AFTER_NS = 5_000_000_000
"""A capture goes on for so long after the incident was judged, so that it shows what followed."""
LINK_RAW_IP = 101
"""LINKTYPE_RAW: what is kept of a packet begins with its IP header, made anew; the rest is as it came."""
MIB = 1024 * 1024
PART = ".part"
"""Ending of a capture that is being written. Only a whole one gets its own name."""


@dataclass(slots=True)
class Piece:
    """Payloads of one batch: rows of equal width."""

    first: int
    """Number of its first record since the start."""
    count: int
    width: int
    place: int
    """Where it begins in the arena."""


class Recorder:
    """Takes every batch; keeps as much as its memory holds, oldest out first."""

    def __init__(self, house: House) -> None:
        self._ports = {int(Protocol.E131): house.listen.e131_port, int(Protocol.ARTNET): house.listen.artnet_port}
        memory = house.recorder.memory_mib * MIB
        self.seconds = house.recorder.seconds
        self._records = np.zeros(max(1024, memory // RECORDS_SHARE // RECORD.itemsize), RECORD)
        self._arena = np.zeros(memory - memory // RECORDS_SHARE, np.uint8)
        self._pieces: deque[Piece] = deque()
        self._addresses: dict[int, NDArray[np.uint8]] = {}
        self._count = 0
        self._cursor = 0

    def take(self, batch: Batch) -> None:
        """Keep a batch. Costs two copies; judging calls it with the rows still in its cache."""
        for start in range(0, len(batch), len(self._records)):
            self._take(batch, slice(start, min(len(batch), start + len(self._records))))

    def _take(self, batch: Batch, part: slice) -> None:
        rows = np.zeros(part.stop - part.start, RECORD)
        data, protocol = batch.data[part], batch.protocol[part]
        e131 = protocol == Protocol.E131
        rows["t_ns"], rows["length"] = batch.t_ns[part], batch.length[part]
        rows["src"] = batch.src.view("<u4")[part, 3]
        rows["src_port"], rows["network"] = batch.src_port[part], np.minimum(batch.network[part], 255)
        rows["protocol"], rows["flags"] = protocol, batch.flags[part]
        # ANSI E1.31-2018 table 4-1: priority 108, sequence 111, universe 113, start code 125. Art-Net Dmx: 12, 14.
        rows["universe"] = np.where(e131, data[:, 113:115].view(">u2")[:, 0], data[:, 14:16].view("<u2")[:, 0])
        rows["sequence"] = np.where(e131, data[:, 111], data[:, 12])
        rows["priority"] = np.where(e131, data[:, 108], 0)
        rows["start_code"] = np.where(e131, data[:, 125], 0)
        first = self._count % len(self._records)
        room = min(len(rows), len(self._records) - first)
        self._records[first : first + room] = rows[:room]
        self._records[: len(rows) - room] = rows[room:]
        self._keep(batch, part, int(rows["length"].max()))
        self._count += len(rows)

    def _keep(self, batch: Batch, part: slice, longest: int) -> None:
        """Put the payloads behind the last ones, each with its addresses; what was there before is gone."""
        width = longest + 32
        size = (part.stop - part.start) * width
        if size > len(self._arena):
            return
        if self._cursor + size > len(self._arena):
            self._cursor = 0
        end = self._cursor + size
        while self._pieces and self._overlaps(self._pieces[0], self._cursor, end):
            self._pieces.popleft()
        room = self._arena[self._cursor : end].reshape(-1, width)
        room[:, :16], room[:, 16:32] = batch.src[part], batch.dst[part]
        room[:, 32:] = batch.data[part, :longest]
        self._pieces.append(Piece(self._count, part.stop - part.start, width, self._cursor))
        self._cursor = end

    @staticmethod
    def _overlaps(piece: Piece, start: int, end: int) -> bool:
        return piece.place < end and start < piece.place + piece.count * piece.width

    def packets(self, from_ns: int, to_ns: int) -> Iterator[tuple[int, int, bytes, int]]:
        """Arrival (monotonic), network, IP packet as far as it is kept, and its whole length; oldest first.

        Where only the record is left, the packet is its IP and UDP header.
        """
        oldest = max(0, self._count - len(self._records))
        kept = self._pieces[0].first if self._pieces else self._count
        yield from self._only_records(oldest, min(kept, self._count), from_ns, to_ns)
        for piece in self._pieces:
            whole = self._arena[piece.place : piece.place + piece.count * piece.width].reshape(-1, piece.width)
            # Records of a batch longer than their ring may be gone before its payloads are.
            for row in range(max(0, oldest - piece.first), piece.count):
                record = self._record(piece.first + row)
                if from_ns <= record["t_ns"] <= to_ns:
                    yield _packet(record, whole[row], self._ports)

    def _only_records(self, first: int, end: int, from_ns: int, to_ns: int) -> Iterator[tuple[int, int, bytes, int]]:
        nowhere = np.zeros(32, np.uint8)
        for number in range(first, end):
            record = self._record(number)
            if from_ns <= record["t_ns"] <= to_ns:
                nowhere[10:12] = 255
                nowhere[12:16] = np.frombuffer(record["src"].tobytes(), np.uint8)
                nowhere[26:28] = 255
                yield _packet(record, nowhere, self._ports)

    def _record(self, number: int) -> np.void:
        found: np.void = self._records[number % len(self._records)]
        return found

    def write(self, path: Path, from_ns: int, to_ns: int, wall_offset_ns: int, networks: tuple[str, ...]) -> int:
        """Write what is kept of an interval as pcapng; returns the packets written."""
        interfaces = [pcap.Interface(LINK_RAW_IP, name=name, resolution=9) for name in networks or ("any",)]
        count = 0
        part = path.with_suffix(PART)
        try:
            with part.open("wb") as file:
                file.write(pcap.header(interfaces))
                for t_ns, network, octets, original in self.packets(from_ns, to_ns):
                    shown = network if network < len(interfaces) else 0
                    file.write(pcap.packet(t_ns + wall_offset_ns, octets, shown, original))
                    count += 1
            part.replace(path)
        except BaseException:
            # On a full disk it holds the very bytes that the next capture needs.
            part.unlink(missing_ok=True)
            raise
        return count


def _packet(record: np.void, kept: NDArray[np.uint8], ports: dict[int, int]) -> tuple[int, int, bytes, int]:
    src, dst = kept[:16].tobytes(), kept[16:32].tobytes()
    length = int(record["length"])
    payload = kept[32 : 32 + length].tobytes()
    headers = _headers(src, dst, int(record["src_port"]), ports.get(int(record["protocol"]), 0), length)
    return int(record["t_ns"]), int(record["network"]), headers + payload, len(headers) + length


def _headers(src: bytes, dst: bytes, src_port: int, dst_port: int, length: int) -> bytes:
    """IP and UDP headers as they must have been, apart from what the kernel does not hand over (TTL, identification).

    The UDP check sum is 0, "not computed" (RFC 768); under IPv6 readers may remark on it.
    """
    udp = struct.pack(">HHHH", src_port, dst_port, 8 + length, 0)
    source, target = ip_address(src), ip_address(dst)
    v4 = getattr(source, "ipv4_mapped", None), getattr(target, "ipv4_mapped", None)
    if v4[0] is None:
        return struct.pack(">IHBB16s16s", 0x60000000, 8 + length, 17, 64, src, dst) + udp
    to = v4[1].packed if v4[1] is not None else bytes(4)
    header = struct.pack(">BBHHHBBH4s4s", 0x45, 0, 28 + length, 0, 0, 64, 17, 0, v4[0].packed, to)
    return header[:10] + struct.pack(">H", _checksum(header)) + header[12:] + udp


def _checksum(octets: bytes) -> int:
    """RFC 1071."""
    total: int = sum(struct.unpack(f">{len(octets) // 2}H", octets))
    total = (total & 0xFFFF) + (total >> 16)
    return 0xFFFF - (total + (total >> 16) & 0xFFFF)


class Captures:
    """Captures of incidents on disk, under the size that the house allows. The judging process writes them."""

    def __init__(self, house: House, recorder: Recorder) -> None:
        self.take_house(house, recorder)
        self._waiting: dict[int, tuple[int, int]] = {}
        """Incident to when it began and when its capture is due."""
        self._writer = 0
        self.failed = 0
        """Captures that could not be written since this process started."""
        self.trouble = ""
        self._clear_parts()

    def take_house(self, house: House, recorder: Recorder) -> None:
        """Write where another house says, from its recorder; what waits goes there too."""
        self._recorder = recorder
        self._directory = state_place(house, house.recorder.directory)
        self._networks = tuple(network.name for network in house.networks)
        self._most_bytes = house.recorder.disk_mib * MIB

    def want(self, incident: int, began_ns: int, now_ns: int) -> None:
        """An incident was opened: its capture is due some seconds later."""
        self._waiting.setdefault(incident, (began_ns, now_ns + AFTER_NS))

    def turn(self, now_ns: int, wall_offset_ns: int, *, at_once: bool = False) -> None:
        """Write what is due, in another process; at most one at a time."""
        if self._writer:
            self._look_at_writer()
        due = {i: began for i, (began, due) in self._waiting.items() if due <= now_ns or at_once}
        if self._writer or not due:
            return
        for incident in due:
            del self._waiting[incident]
        try:
            self._directory.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            self._fail(error.strerror or str(error))
            return
        from_ns = min([now_ns - int(self._recorder.seconds * 1e9), *due.values()])
        self._writer = os.fork()
        if not self._writer:
            self._write(sorted(due), from_ns, now_ns, wall_offset_ns)

    def _look_at_writer(self) -> None:
        """See whether the writing process has ended, and how."""
        done, status = os.waitpid(self._writer, os.WNOHANG)
        if not done:
            return
        self._writer = 0
        ended = os.waitstatus_to_exitcode(status)
        if ended == 0:
            self.trouble = ""
            return
        self._clear_parts()  # a writer that was killed could not do so itself
        self._fail(os.strerror(ended) if ended > 0 else f"the writing process was ended by signal {-ended}")

    def _fail(self, reason: str) -> None:
        self.failed += 1
        times = "" if self.failed == 1 else f" {self.failed} have failed since the start."
        self.trouble = f"The last capture could not be kept in {self._directory}: {reason}.{times}"

    def _clear_parts(self) -> None:
        """Remove what a writer that was killed left behind. Nothing is being written now."""
        for part in self._directory.glob(f"incident-*{PART}"):
            with contextlib.suppress(OSError):
                part.unlink()

    def _write(self, incidents: list[int], from_ns: int, to_ns: int, wall_offset_ns: int) -> None:
        """In the forked process: write one file, name it for every incident it is for, leave without a trace.

        The exit status is 0, or the errno of what failed.
        """
        status = errno.EIO
        try:
            with contextlib.suppress(OSError):  # the unit's filter forbids it: then at equal rank
                os.nice(10)
            first = path_of(self._directory, incidents[0])
            self._recorder.write(first, from_ns, to_ns, wall_offset_ns, self._networks)
            for other in incidents[1:]:
                with contextlib.suppress(FileExistsError):
                    path_of(self._directory, other).hardlink_to(first)
            trim(self._directory, self._most_bytes)
            status = 0
        except OSError as error:
            status = error.errno or errno.EIO
        finally:
            os._exit(status)


def path_of(place: Path, incident: int) -> Path:
    return place / f"incident-{incident}.pcapng"


def trim(place: Path, most_bytes: int) -> None:
    """Remove the oldest captures until the rest fits. What is still being written counts too."""
    found = sorted((path.stat().st_mtime_ns, path.stat().st_size, path) for path in place.glob("incident-*.pcapng"))
    total = sum(size for _, size, _ in found)
    total += sum(path.stat().st_size for path in place.glob(f"incident-*{PART}"))
    for _, size, path in found[:-1]:
        if total <= most_bytes:
            break
        path.unlink(missing_ok=True)
        total -= size


class RecordedPackets:
    """The front's side: where the capture of an incident lies, once it is written."""

    def __init__(self, house: House) -> None:
        self._directory = state_place(house, house.recorder.directory)

    def path(self, incident: int) -> Path | None:
        """The pcapng file of an incident; None while there is none."""
        found = path_of(self._directory, incident)
        return found if found.is_file() else None
