"""What a snapshot costs to cross from judging to the page: bytes, time to write, time to read, at 4,034 universes.

Times are the least of ROUNDS, in processor time, through the shared memory that the daemon uses.
Run alone: `python -m benchmarks.snapshots`.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable

from benchmarks.model import Traffic
from slotwatch.edge.shared.snapshot_buffer import SnapshotReader, SnapshotWriter, create_memory
from slotwatch.engine import Engine
from slotwatch.house.schema import DeclaredUniverse, House, Network, Phase
from slotwatch.snapshot import Snapshot
from slotwatch.wire.universe import Protocol, UniverseId

UNIVERSES = 4034
SECONDS = 9
LOST_AFTER_S = 4
ROUNDS = 20


def made() -> Snapshot:
    """Return a snapshot of a house at work, then silent so that incidents are open."""
    universes = tuple(DeclaredUniverse(UniverseId(Protocol.E131, row + 1)) for row in range(UNIVERSES))
    house = House(networks=(Network("lights", "eth1"),), universes=universes, phase=Phase.SHOW)
    traffic = Traffic()
    engine = Engine(house, now_ns=traffic.now_ns, wall_offset_ns=0)
    while traffic.now_ns < SECONDS * 1_000_000_000:
        for _ in range(9):
            engine.ingest(traffic.next(1000))
        engine.tick(traffic.now_ns)
    now_ns = traffic.now_ns
    for _ in range(LOST_AFTER_S * 20):
        now_ns += 50_000_000
        engine.tick(now_ns)
    return engine.snapshot(now_ns)


def least_ms(work: Callable[[], object]) -> float:
    """Return the least processor milliseconds of ROUNDS runs."""
    taken = []
    for _ in range(ROUNDS):
        before_s = time.process_time()
        work()
        taken.append(time.process_time() - before_s)
    return min(taken) * 1000


def main() -> None:
    snapshot = made()
    fd = create_memory()
    writer, reader = SnapshotWriter(fd), SnapshotReader(fd)
    size = writer.publish(snapshot)
    write_ms = least_ms(lambda: writer.publish(snapshot))
    both_ms = least_ms(lambda: (writer.publish(snapshot), reader.read()))
    print(
        f"{UNIVERSES} universes, {len(snapshot.sources)} sources, {len(snapshot.incidents)} incidents: "
        f"{size / 1e6:.2f} MB, write {write_ms:.2f} ms, read {both_ms - write_ms:.2f} ms"
    )
    reader.close()
    writer.close()
    os.close(fd)


if __name__ == "__main__":
    main()
