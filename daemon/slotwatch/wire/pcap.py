"""Read pcap and pcapng captures from bytes as they come. No file is touched here; `wire.pcap_blocks` writes.

Sources: draft-ietf-opsawg-pcap and draft-ietf-opsawg-pcapng. A capture is not trusted: lengths are bounded
before they are believed, and what is damaged or cut off ends the reading with a sentence, never with an error.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

LONGEST_PACKET = 262_144
"""Largest snapshot length that capture tools write; a longer record is damage."""
LONGEST_BLOCK = 16 << 20
SLACK = 2048
"""Bytes of zeros behind a piece, so that fixed-size reads near its end stay inside it."""
MOST_INTERFACES = 4096
_LATEST_NS = 1 << 62

_PCAP = {
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
    b"\xa1\xb2\x3c\x4d": (">", 1),
}
_SECTION = 0x0A0D0D0A
_INTERFACE, _OLD_PACKET, _SIMPLE, _ENHANCED = 1, 2, 3, 6
_PACKETS = frozenset((_OLD_PACKET, _SIMPLE, _ENHANCED))


@dataclass(frozen=True, slots=True)
class CaptureInterface:
    """One interface of a capture."""

    link_type: int
    name: str = ""
    snap_length: int = 0
    """0: no limit."""
    resolution: int = 6
    """The value of if_tsresol: a power of ten, or of two with the top bit set."""
    offset_s: int = 0
    check_bytes: int = 0
    """Bytes of frame check sequence at the end of each frame."""


@dataclass(slots=True)
class Records:
    """Packets of one piece of a capture, as columns."""

    data: NDArray[np.uint8]
    """The piece, with SLACK zeros behind it."""
    start: NDArray[np.int64]
    """(N,) where each packet begins in `data`."""
    captured: NDArray[np.int64]
    """(N,) bytes that were kept of it."""
    original: NDArray[np.int64]
    """(N,) bytes it had."""
    t_ns: NDArray[np.int64]
    """(N,) nanoseconds since 1970 UTC as the capture says; -1 where it says nothing."""
    interface: NDArray[np.int64]
    """(N,) index into Reader.interfaces."""


ALIKE = 8
"""After this many packets of one length in a row, the following ones are looked for in array form."""


@dataclass(slots=True)
class Reader:
    """Takes the bytes of a capture piece by piece and hands its packets out.

    `feed` until the bytes end, then `close`. Interfaces of later sections are added behind the earlier ones.
    """

    interfaces: list[CaptureInterface] = field(default_factory=list)
    kind: str = ""
    """pcap | pcapng, once the first bytes are known."""
    ended: str = ""
    """Why the capture was not read to its end, as a sentence; empty while all is well."""
    _held: bytes = b""
    _order: str = "<"
    _scale: int = 1000
    _place: int = 0
    """Bytes of the file before those that are held."""
    _section_first: int = 0

    def feed(self, raw: bytes | bytearray | memoryview) -> list[Records]:
        """Take the next bytes; return the packets that are now whole. ValueError: this is not a capture."""
        if self.ended:
            return []
        size = len(self._held) + len(raw)
        buffer = np.empty(size + SLACK, np.uint8)
        buffer[size:] = 0
        piece = memoryview(buffer.data)[:size]
        piece[: len(self._held)] = self._held
        piece[len(self._held) :] = raw
        taken = 0
        if not self.kind:
            taken = self._begin(piece)
            if not self.kind:
                self._held = bytes(piece)
                return []
        out: list[Records] = []
        while not self.ended:
            before = taken
            taken = self._scan(piece, taken, buffer, out)
            if taken == before:
                break
        self._held = bytes(piece[taken:])
        self._place += taken
        return out

    def close(self) -> None:
        """Note the end of the bytes."""
        if not self.kind:
            raise ValueError("it is empty" if not self._held else _unknown(self._held))
        if self._held and not self.ended:
            self.ended = f"the last {len(self._held)} bytes are the beginning of a record that was cut off"
        self._held = b""

    def _begin(self, piece: memoryview) -> int:
        if len(piece) < 24:
            return 0
        magic = bytes(piece[:4])
        if magic in _PCAP:
            self.kind = "pcap"
            self._order, self._scale = _PCAP[magic]
            snap, link = struct.unpack_from(self._order + "II", piece, 16)
            # Upper bits: length of the check sequence in 16-bit words, if the P bit says that it is known.
            check = (link >> 28) * 2 if link & 0x04000000 else 0
            self.interfaces.append(CaptureInterface(link & 0xFFFF, snap_length=snap, check_bytes=check))
            return 24
        if struct.unpack_from("<I", piece)[0] == _SECTION:
            self.kind = "pcapng"
            return 0
        raise ValueError(_unknown(magic))

    def _scan(self, piece: memoryview, taken: int, buffer: NDArray[np.uint8], out: list[Records]) -> int:
        if self.kind == "pcap":
            return self._scan_pcap(piece, taken, buffer, out)
        return self._scan_pcapng(piece, taken, buffer, out)

    def _damaged(self, at: int, what: str) -> None:
        self.ended = f"damaged at byte {self._place + at}: {what}; what comes before it was read"

    def _scan_pcap(self, piece: memoryview, taken: int, buffer: NDArray[np.uint8], out: list[Records]) -> int:
        read = struct.Struct(self._order + "I").unpack_from
        words = overlapping(buffer, self._order + "u4")
        places: list[int] = []
        runs: list[NDArray[np.int64]] = []
        keep = places.append
        end = len(piece) - 16
        last = alike = 0
        while taken <= end:
            (captured,) = read(piece, taken + 8)
            if captured > LONGEST_PACKET:
                self._damaged(taken, f"a packet of {captured} bytes")
                break
            following = taken + 16 + captured
            if following > len(piece):
                break
            alike = alike + 1 if captured == last else 0
            last = captured
            if alike < ALIKE:
                keep(taken)
                taken = following
                continue
            # Universes are mostly of one length: then the next headers can be looked at together.
            alike, stride = 0, 16 + captured
            count = (len(piece) - taken) // stride
            others = np.flatnonzero(words[taken + 8 : taken + count * stride : stride] != captured)
            count = int(others[0]) if len(others) else count
            runs += [np.array(places, np.int64), taken + stride * np.arange(count)]
            places.clear()
            taken += count * stride
        if places or runs:
            at = np.concatenate([*runs, np.array(places, np.int64)])
            seconds, part = words[at].astype(np.int64), words[at + 4].astype(np.int64)
            records = Records(
                data=buffer,
                start=at + 16,
                captured=words[at + 8].astype(np.int64),
                original=words[at + 12].astype(np.int64),
                t_ns=seconds * 1_000_000_000 + part * self._scale,
                interface=np.zeros(len(at), np.int64),
            )
            out.append(_without_checks(records, np.full(len(at), self.interfaces[0].check_bytes)))
        return taken

    def _scan_pcapng(self, piece: memoryview, taken: int, buffer: NDArray[np.uint8], out: list[Records]) -> int:
        """Walk blocks to the end of the piece or to the next section, whose bytes may lie the other way round."""
        read = struct.Struct(self._order + "II").unpack_from
        places: list[int] = []
        keep = places.append
        size = len(piece)
        end = size - 12
        begun = taken
        while taken <= end:
            kind, length = read(piece, taken)
            if kind == _SECTION:
                if places or taken != begun:
                    break  # what came before is read by its own section's rules first
                length = self._section(piece, taken)
                read = struct.Struct(self._order + "II").unpack_from
            if length < 12 or length % 4 or length > LONGEST_BLOCK:
                if not self.ended:
                    self._damaged(taken, f"a block of {length} bytes")
                break
            following = taken + length
            if following > size:
                break
            if kind in _PACKETS:
                keep(taken)
            elif kind == _INTERFACE:
                self._interface(bytes(piece[taken:following]), taken)
            taken = following
            if self.ended:
                break
        if places:
            self._packets(np.array(places, np.int64), buffer, out)
        return taken

    def _section(self, piece: memoryview, at: int) -> int:
        """Take a section header: its byte order holds until the next. Return its length."""
        magic = bytes(piece[at + 8 : at + 12])
        order = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}.get(magic)
        if order is None:
            self._damaged(at, "a section without its byte-order magic")
            return 0
        self._order = order
        self._section_first = len(self.interfaces)
        (length,) = struct.unpack_from(order + "I", piece, at + 4)
        return int(length)

    def _interface(self, block: bytes, at: int) -> None:
        if len(block) < 20 or len(self.interfaces) >= MOST_INTERFACES:
            self._damaged(at, "an interface that cannot be taken")
            return
        link_type, _, snap = struct.unpack_from(self._order + "HHI", block, 8)
        name, resolution, offset_s, check = "", 6, 0, 0
        place, end = 16, len(block) - 4
        while place + 4 <= end:
            code, length = struct.unpack_from(self._order + "HH", block, place)
            value = block[place + 4 : min(place + 4 + length, end)]
            place += 4 + length + (-length) % 4
            if code == 0:
                break
            if code == 2:
                name = value.split(b"\0", 1)[0].decode("utf-8", "replace")
            elif code == 9 and value:
                resolution = value[0]
            elif code == 13 and value:
                check = value[0] // 8
            elif code == 14 and len(value) == 8:
                (offset_s,) = struct.unpack(self._order + "q", value)
        self.interfaces.append(CaptureInterface(link_type, name, snap, resolution, offset_s, check))

    def _packets(self, at: NDArray[np.int64], buffer: NDArray[np.uint8], out: list[Records]) -> None:
        words = overlapping(buffer, self._order + "u4")
        halves = overlapping(buffer, self._order + "u2")
        kind, length = words[at].astype(np.int64), words[at + 4].astype(np.int64)
        simple = kind == _SIMPLE
        number = words[at + 8].astype(np.int64)
        old = kind == _OLD_PACKET
        if old.any():
            number[old] = halves[at[old] + 8]
        number[simple] = 0
        number += self._section_first
        start = at + np.where(simple, 12, 28)
        captured = words[at + 20].astype(np.int64)
        original = words[at + 24].astype(np.int64)
        ticks = words[at + 12].astype(np.uint64) << np.uint64(32) | words[at + 16].astype(np.uint64)
        known = number < len(self.interfaces)
        if simple.any():
            original[simple] = words[at[simple] + 8]
            captured[simple] = np.minimum(original[simple], length[simple] - 16)
            if len(self.interfaces) > self._section_first:
                snap = self.interfaces[self._section_first].snap_length or LONGEST_PACKET
                captured[simple] = np.minimum(captured[simple], snap)
        fits = known & (captured >= 0) & (captured <= length - np.where(simple, 16, 32)) & (captured <= LONGEST_PACKET)
        if not fits.all():
            first = int(np.flatnonzero(~fits)[0])
            self._damaged(int(at[first]), "a packet longer than its block, or of an interface that is not described")
            chosen = np.arange(len(at)) < first
            start, captured, original = start[chosen], captured[chosen], original[chosen]
            ticks, number, simple = ticks[chosen], number[chosen], simple[chosen]
        t_ns = self._nanoseconds(ticks, number)
        t_ns[simple] = -1
        if len(start):
            checks = np.array([one.check_bytes for one in self.interfaces], np.int64)[number]
            out.append(_without_checks(Records(buffer, start, captured, original, t_ns, number), checks))

    def _nanoseconds(self, ticks: NDArray[np.uint64], number: NDArray[np.int64]) -> NDArray[np.int64]:
        t_ns = np.zeros(len(ticks), np.int64)
        for index in np.unique(number):
            interface = self.interfaces[index]
            rows = number == index
            offset = max(-_LATEST_NS, min(_LATEST_NS, interface.offset_s * 1_000_000_000))
            t_ns[rows] = np.clip(_scaled(ticks[rows], interface.resolution) + offset, 0, _LATEST_NS)
        return t_ns


def _without_checks(records: Records, checks: NDArray[np.int64]) -> Records:
    """Leave the frame check sequence out of each frame. checks: (N,) bytes of it."""
    if checks.any():
        records.original = np.maximum(records.original - checks, 0)
        records.captured = np.minimum(records.captured, records.original)
    return records


def _scaled(ticks: NDArray[np.uint64], resolution: int) -> NDArray[np.int64]:
    """Turn time stamps into nanoseconds. Those beyond the year 2116 are held there."""
    power = resolution & 0x7F
    found: NDArray[np.int64]
    if not resolution & 0x80:
        if power <= 9:
            factor = 10 ** (9 - power)
            found = np.minimum(ticks, np.uint64(_LATEST_NS // factor)).astype(np.int64) * factor
        else:
            found = (ticks // np.uint64(10 ** min(power - 9, 19))).astype(np.int64)
        return found
    if power > 63:
        return np.zeros(len(ticks), np.int64)
    seconds = np.minimum(ticks >> np.uint64(power), np.uint64(_LATEST_NS // 1_000_000_000)).astype(np.int64)
    part = ticks & np.uint64((1 << power) - 1)
    if power > 30:
        part, power = part >> np.uint64(power - 30), 30
    found = seconds * 1_000_000_000 + (part.astype(np.int64) * 1_000_000_000 >> power)
    return found


def overlapping(raw: NDArray[np.uint8], dtype: str) -> NDArray[np.unsignedinteger]:
    """View bytes as numbers that begin at every byte: `overlapping(o, ">u2")[7]` reads bytes 7 and 8."""
    kind = np.dtype(dtype)
    return np.ndarray((max(0, len(raw) - kind.itemsize + 1),), kind, raw, strides=(1,))


def _unknown(raw: bytes) -> str:
    if raw[:4] in _PCAP or raw[:4] == _SECTION.to_bytes(4, "little"):
        return "it is cut off in its header"
    return f"it is neither pcap nor pcapng: it begins with {raw[:4].hex(' ') or 'nothing'}"


def read_all(raw: bytes, piece: int = 1 << 20) -> Iterator[tuple[CaptureInterface, int, bytes]]:
    """Yield (interface, t_ns, packet) of a capture that is in memory; for tests and small files."""
    reader = Reader()
    for at in range(0, max(1, len(raw)), piece):
        for records in reader.feed(raw[at : at + piece]):
            for index in range(len(records.start)):
                begin = int(records.start[index])
                kept = records.data[begin : begin + int(records.captured[index])].tobytes()
                yield reader.interfaces[int(records.interface[index])], int(records.t_ns[index]), kept
    reader.close()
