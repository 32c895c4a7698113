"""Decoding and the model in one process, without sockets: time a packet against a copy of the same bytes.

Run alone: `python -m benchmarks model`. 4,034 universes at 44 Hz are a full gigabit. Times are the least of several
rounds, so that what else the computer does counts least; the ratio to a plain copy travels between computers.
"""

from __future__ import annotations

import struct
import time

import numpy as np

from slotwatch.engine import Engine
from slotwatch.house.schema import DeclaredUniverse, House, Network, Phase
from slotwatch.model import stream_minutes
from slotwatch.model.model import Model
from slotwatch.snapshot.encoding import to_parts
from slotwatch.wire.batch import Batch, empty
from slotwatch.wire.decode import decode
from slotwatch.wire.universe import Protocol, UniverseId

UNIVERSES = 4034
RATE_HZ = 44
BATCHES = (32, 128, 512, 2048)
ROUNDS = 60


def packet(universe: int, source: bytes) -> bytes:
    """One full E1.31 data packet (ANSI E1.31-2018 Table 4-1)."""
    return b"".join(
        (
            bytes.fromhex("00100000") + b"ASC-E1.17\0\0\0",
            struct.pack(">HI", 0x726E, 4) + source,
            struct.pack(">HI", 0x7258, 2) + b"benchmark".ljust(64, b"\0"),
            struct.pack(">BHBBH", 100, 0, 0, 0, universe),
            struct.pack(">HBBHHHB", 0x720B, 2, 0xA1, 0, 1, 513, 0) + bytes(512),
        )
    )


class Traffic:
    """A full gigabit, round and round: every universe in turn, levels moving in all slots or standing still."""

    def __init__(self, *, moving: bool = True) -> None:
        self._all = empty(UNIVERSES)
        for row in range(UNIVERSES):
            data = packet(row + 1, bytes(15) + bytes((1 + row // 100,)))
            self._all.data[row, : len(data)] = np.frombuffer(data, np.uint8)
            self._all.length[row] = len(data)
            self._all.dst[row, 10:] = (255, 255, 239, 255, *divmod(row + 1, 256))
            self._all.src[row, 10:] = (255, 255, 10, 0, 0, 1 + row // 100)
        self._all.protocol[:] = Protocol.E131
        self._at = 0
        self._moving = moving
        self.now_ns = 1_000_000_000

    def next(self, rows: int) -> Batch:
        number = self._at + np.arange(rows)
        which, frame = number % UNIVERSES, number // UNIVERSES
        batch = empty(rows)
        for name in ("data", "length", "protocol", "src", "dst"):
            getattr(batch, name)[:] = getattr(self._all, name)[which]
        batch.data[:, 111] = frame % 256
        if self._moving:
            batch.data[:, 126:638] = (frame * 5 % 256)[:, None]
        batch.t_ns[:] = 1_000_000_000 + number * (1_000_000_000 // (RATE_HZ * UNIVERSES))
        self._at += rows
        self.now_ns = int(batch.t_ns[-1])
        return batch


def least_us(rows: int, *, moving: bool) -> tuple[float, float, float]:
    """Microseconds a packet: copying its bytes, decoding, the model."""
    traffic, model = Traffic(moving=moving), Model(House(), 0)
    for _ in range(12 * UNIVERSES // 2048 + 1):
        batch = traffic.next(2048)
        model.ingest(batch, decode(batch))
    copy_us = decode_us = model_us = float("inf")
    for _ in range(ROUNDS):
        batch = traffic.next(rows)
        started = time.perf_counter()
        batch.data[:, :638].copy()
        copied = time.perf_counter()
        fields = decode(batch)
        decoded = time.perf_counter()
        model.ingest(batch, fields)
        ended = time.perf_counter()
        copy_us = min(copy_us, (copied - started) / rows * 1e6)
        decode_us = min(decode_us, (decoded - copied) / rows * 1e6)
        model_us = min(model_us, (ended - decoded) / rows * 1e6)
    return copy_us, decode_us, model_us


def least_engine_ms() -> tuple[float, float, float]:
    """Milliseconds of a tick, a snapshot and its encoding with 4,034 declared universes."""
    universes = tuple(DeclaredUniverse(UniverseId(Protocol.E131, row + 1)) for row in range(UNIVERSES))
    house = House(networks=(Network("lights", "eth1"),), universes=universes, phase=Phase.SHOW)
    traffic = Traffic()
    engine = Engine(house, now_ns=traffic.now_ns, wall_offset_ns=0)
    tick_ms = snapshot_ms = encode_ms = float("inf")
    while traffic.now_ns < 9_000_000_000:
        for _ in range(9):
            engine.ingest(traffic.next(1000))
        started = time.perf_counter()
        engine.tick(traffic.now_ns)
        tick_ms = min(tick_ms, (time.perf_counter() - started) * 1e3)
    for _ in range(10):
        started = time.perf_counter()
        snapshot = engine.snapshot(traffic.now_ns)
        shown = time.perf_counter()
        to_parts(snapshot)
        snapshot_ms = min(snapshot_ms, (shown - started) * 1e3)
        encode_ms = min(encode_ms, (time.perf_counter() - shown) * 1e3)
    return tick_ms, snapshot_ms, encode_ms


def least_minute_ms() -> tuple[float, float]:
    """Milliseconds that the figures of each stream cost when a minute ends, and of a copy of their histograms."""
    traffic, model = Traffic(), Model(House(), 0)
    minute_ms = copy_ms = float("inf")
    for _ in range(5):
        # 40 frames of each stream: fewer than 30 intervals say nothing of its pace.
        for _ in range(40 * UNIVERSES // 2048 + 1):
            batch = traffic.next(2048)
            model.ingest(batch, decode(batch))
        started = time.perf_counter()
        model.streams.minute_bins.copy()
        copied = time.perf_counter()
        found = stream_minutes.finish(model, np.zeros(model.universes.top, np.bool_))
        minute_ms = min(minute_ms, (time.perf_counter() - copied) * 1e3)
        copy_ms = min(copy_ms, (copied - started) * 1e3)
        assert len(found) == UNIVERSES
    return minute_ms, copy_ms


def main() -> None:
    for moving in (True, False):
        print("every slot moves in every frame" if moving else "static levels")
        for rows in BATCHES:
            copy_us, decode_us, model_us = least_us(rows, moving=moving)
            whole_us = decode_us + model_us
            print(
                f"  {rows:5} rows: copy {copy_us:.3f}, decode {decode_us:.3f}, model {model_us:.3f} µs a packet; "
                f"together {whole_us:.3f} µs, {whole_us / copy_us:.1f} copies"
            )
    tick_ms, snapshot_ms, encode_ms = least_engine_ms()
    minute_ms, copy_ms = least_minute_ms()
    print(
        f"{UNIVERSES} universes: figures of a minute {minute_ms:.0f} ms a minute, {minute_ms / 600:.3f} % of a core, "
        f"{minute_ms / copy_ms:.1f} copies of their histograms"
    )
    print(f"{UNIVERSES} universes: tick {tick_ms:.2f} ms, snapshot {snapshot_ms:.1f} ms, encode {encode_ms:.1f} ms")


if __name__ == "__main__":
    main()
