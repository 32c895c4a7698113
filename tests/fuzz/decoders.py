"""Coverage-guided octets against the decoders, for a bounded time: `python -m tests.fuzz.decoders [SECONDS]`.

The loop is our own, on `sys.settrace` (3.11 has no `sys.monitoring`): an input that reaches a line, or a pair of
successive lines, that none before it reached is kept and bred from. The invariant of each target stands in its
docstring. An input that breaks one is written to the corpus directory and named; then the exit status is 1.
"""

from __future__ import annotations

import random
import sys
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import numpy as np

from slotwatch.wire import compose, igmp, names, pcap, rdm
from slotwatch.wire.fields import Kind
from slotwatch.wire.pcap import Reader
from slotwatch.wire.universe import Protocol
from tests.wire import frames, vectors
from tests.wire.test_decode import agree
from tests.wire.test_ethernet import dissect
from tests.wire.vectors import batch_of

SECONDS = 60.0
MOST_KEPT = 2000
WATCHED = str(Path(pcap.__file__).parent)
FOUND = Path(__file__).parent / "found"
INTERESTING = bytes((0, 1, 2, 4, 7, 8, 14, 0x10, 0x20, 0x50, 0x70, 0x7F, 0x80, 0xA1, 0xCC, 0xDD, 0xFE, 0xFF))

Edge = tuple[CodeType, int, int]


def decode_datagrams(octets: bytes) -> None:
    """Any datagram has a verdict on every port, and both decoders give the same."""
    batch = batch_of([octets[1:], octets[1:]] if octets else [b""], octets[0] % 4 if octets else 1)
    agree(batch)


def read_names(octets: bytes) -> None:
    """What the array decoder accepts can be read for its name, list or reply."""
    from slotwatch.wire.decode import decode

    for protocol in (Protocol.E131, Protocol.ARTNET):
        batch = batch_of([octets], protocol)
        kind, length = int(decode(batch).kind[0]), int(batch.length[0])
        if kind in (Kind.LEVELS, Kind.E131_DISCOVERY) and protocol is Protocol.E131:
            names.source_name(batch.data[0])
        if kind == Kind.E131_DISCOVERY:
            assert len(names.discovery_page(batch.data[0], length).universes) <= 512
        if kind == Kind.ART_POLL_REPLY:
            names.poll_reply(batch.data[0], length)


def read_capture(octets: bytes) -> None:
    """Any file is read to where it ends, or refused as no capture; packets lie within it."""
    reader = Reader()
    half = len(octets) // 2
    try:
        found = reader.feed(octets[:half]) + reader.feed(octets[half:])
        reader.close()
    except ValueError as reason:
        assert str(reason)
        return
    for records in found:
        assert (records.captured >= 0).all() and (records.t_ns >= -1).all()
        assert (records.start + records.captured + pcap.SLACK <= len(records.octets)).all()
        assert (records.interface < len(reader.interfaces)).all()


def read_frames(octets: bytes) -> None:
    """Any frame of any link layer gives datagrams within itself, or is counted once."""
    link = (0, 1, 101, 113, 276, 108)[octets[0] % 6] if octets else 1
    found, counts, records = dissect([octets[1:], octets[1:]], link)
    at = found.datagrams
    assert (at.payload + at.length <= (records.start + records.captured)[at.frame]).all()
    apart = counts.other_link_types + counts.not_ip + counts.not_udp + counts.fragments + counts.malformed + counts.cut
    assert counts.udp + apart == 2
    assert np.unique(at.frame).size == at.frame.size


def read_groups(octets: bytes) -> None:
    """Any message is read or is nothing."""
    igmp.read_igmp(octets)
    igmp.read_mld(octets)
    igmp.observations(octets, 0, 0)
    igmp.neighbour(octets, 0, 0)


def read_rdm(octets: bytes) -> None:
    """Any message is read or refused with a reason; a lone ValueError is the only error."""
    for read in (rdm.decode, rdm.tod_data, rdm.art_rdm_message):
        try:
            read(octets)
        except ValueError as reason:
            assert str(reason)
    rdm.discovery_reply(octets)


_V3 = b"\x22\0\0\0\0\0\0\x02" + (b"\x04\0\0\0" + bytes((239, 255, 0, 1))) * 2
_GET = rdm.get(bytes(6), bytes(6), 1, rdm.DEVICE_INFO)
TARGETS: dict[Callable[[bytes], None], list[bytes]] = {
    decode_datagrams: [bytes([1]) + packet for packet in vectors.E131_VECTORS]
    + [bytes([2]) + packet for packet in vectors.ART_VECTORS]
    + [b"\x03\0" + bytes(24)],
    read_names: [
        *vectors.E131_VECTORS,
        compose.art_poll_reply("10.0.0.1", "node", "node", [compose.NodePort(1)]),
        *compose.e131_discovery(bytes(16), "x", range(1, 40)),
    ],
    read_capture: [
        frames.pcap([(1, b"frame"), (2, b"other")]),
        frames.pcap([(1, b"frame")], order=">", nano=True),
        frames.section() + frames.interface(resolution=9, offset_s=4, name="eth1") + frames.enhanced(1, b"x" * 9),
        frames.section(">") + frames.interface(order=">") + frames.simple(b"y" * 5, ">") + frames.section(),
    ],
    read_frames: [
        b"\x01" + frames.ethernet(frames.ipv4(frames.udp(b"data"), options=b"\x94\x04\0\0"), tags=((0x8100, 2),)),
        b"\x01" + frames.ethernet(frames.ipv6(frames.udp(b"data"), 0, b"\x11\0\x01\x04\0\0\0\0"), 0x86DD),
        b"\x02" + frames.ipv4(frames.udp(b"data")),
        b"\x03" + bytes(14) + b"\x08\0" + frames.ipv4(frames.udp(b"data")),
        b"\x00\x02\0\0\0" + frames.ipv4(frames.udp(b"data")),
    ],
    read_groups: [_V3, bytes.fromhex("1164000000000000027d0000"), frames.ipv4(_V3, 2), bytes((0x8F, *bytes(40)))],
    read_rdm: [_GET, rdm.art_rdm(1, _GET), b"Art-Net\0\x00\x81" + bytes(30), b"\xfe\xaa" + b"\xaf\x55" * 8],
}


class Coverage:
    """Lines of the watched code that inputs reached, with the line before each."""

    def __init__(self) -> None:
        self.seen: set[Edge] = set()
        self.fresh = 0
        self._watched: dict[CodeType, bool] = {}

    def run(self, target: Callable[[bytes], None], octets: bytes) -> int:
        """Run a target; return how many edges were new. Its exceptions pass through."""
        self.fresh = 0
        sys.settrace(self._call)
        try:
            target(octets)
        finally:
            sys.settrace(None)
        return self.fresh

    def _call(self, frame: FrameType, event: str, argument: Any) -> Any:
        code = frame.f_code
        watched = self._watched.get(code)
        if watched is None:
            watched = self._watched[code] = code.co_filename.startswith(WATCHED)
        if not watched:
            return None
        last = 0

        def line(frame: FrameType, event: str, argument: Any) -> Any:
            nonlocal last
            edge = (code, last, frame.f_lineno)
            last = frame.f_lineno
            if edge not in self.seen:
                self.seen.add(edge)
                self.fresh += 1
            return line

        return line


def mutate(chance: random.Random, octets: bytes, others: list[bytes]) -> bytes:
    """Change an input a little: octets, numbers, cuts, repeats, pieces of another."""
    made = bytearray(octets)
    for _ in range(chance.choice((1, 1, 2, 4, 8))):
        at = chance.randrange(len(made) + 1)
        way = chance.randrange(7)
        if way == 0 and made:
            made[at % len(made)] ^= 1 << chance.randrange(8)
        elif way == 1 and made:
            made[at % len(made)] = chance.choice(INTERESTING)
        elif way == 2:
            del made[at : at + chance.randrange(1, 9)]
        elif way == 3:
            made[at:at] = chance.randbytes(chance.randrange(1, 9))
        elif way == 4:
            made[at : at + 2] = chance.choice((len(made), len(made) - at, 0xFFFF, 0x7FFF, 513)).to_bytes(2, "big")
        elif way == 5:
            other = chance.choice(others)
            made[at:] = other[min(at, len(other)) :]
        else:
            del made[at:]
    return bytes(made[:1500])


def fuzz(
    target: Callable[[bytes], None], seeds: list[bytes], seconds: float, seed: int
) -> tuple[int, int, bytes | None]:
    """Run one target for some time. Return (runs, edges, input that broke it)."""
    chance, coverage = random.Random(seed), Coverage()
    kept: list[bytes] = []
    queue = list(seeds)
    runs, end = 0, time.monotonic() + seconds
    while time.monotonic() < end:
        octets = queue.pop() if queue else mutate(chance, chance.choice(kept), kept)
        runs += 1
        try:
            fresh = coverage.run(target, octets)
        except Exception:
            traceback.print_exc()
            return runs, len(coverage.seen), octets
        if fresh or len(kept) < len(seeds):
            kept.append(octets)
            if len(kept) > MOST_KEPT:
                kept.pop(chance.randrange(len(kept)))
    return runs, len(coverage.seen), None


def main(seconds: float = SECONDS, seed: int = 0) -> int:
    """Fuzz every target in turn, the time shared out evenly."""
    broken = 0
    for target, seeds in TARGETS.items():
        runs, edges, culprit = fuzz(target, seeds, seconds / len(TARGETS), seed)
        print(f"{target.__name__}: {runs} inputs, {edges} edges of the wire code", flush=True)
        if culprit is not None:
            broken += 1
            FOUND.mkdir(exist_ok=True)
            path = FOUND / f"{target.__name__}.bin"
            path.write_bytes(culprit)
            print(f"  broken by {len(culprit)} octets, kept in {path}: {culprit.hex()}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS))
