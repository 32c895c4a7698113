"""Very many packets through the array decoder, each held against the slow one that reads field by field.

    python -m tests.fuzz.comparison [PACKETS [SEED]]

Packets begin as valid ones of every kind and get up to eight changes: a byte anywhere, a byte of the header, a length
field, another length. All processors take part; each has its own seeds, so any batch can be made again. The first
difference ends the run and is printed as hex. 100 million packets take one processor half an hour.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import time

import numpy as np

from slotwatch.wire import batch
from slotwatch.wire.batch import Batch
from slotwatch.wire.universe import Protocol
from tests.model.packets import artnet, artnet_poll_reply, artnet_sync, e131, e131_discovery, e131_sync
from tests.wire.test_decode import agree

ROWS = 1024
PACKETS = 100_000_000
_KINDS = (
    *(e131(bytes(slots), universe=slots + 1, start_code=code) for slots in (0, 1, 24, 511, 512) for code in (0, 0xDD)),
    *(e131(bytes(512), options=options, sync=sync) for options in (0x40, 0x80, 0xE0) for sync in (0, 7)),
    e131_sync(7),
    e131_discovery([1, 2, 3]),
    e131_discovery(range(1, 513)),
    *(artnet(bytes(slots)) for slots in (2, 24, 512)),
    artnet_sync(),
    artnet_poll_reply("2.0.0.1"),
    b"Art-Net\0" + bytes((0, 0x20, 0, 14, 6, 16)),
)
_HEADER = 130
"""Bytes in which most fields lie."""
_INTERESTING = np.frombuffer(bytes.fromhex("000102040708 0b0e0f 10 20 50 70 7f 80 a1 dd fe ff"), np.uint8)


def packets_of(seed: int, rows: int = ROWS) -> Batch:
    """Make the packets of this number."""
    chance = np.random.default_rng(seed)
    made = batch.empty(rows)
    made.data[:] = chance.integers(0, 256, made.data.shape, np.uint8)  # what earlier packets left
    kinds = chance.integers(0, len(_KINDS), rows)
    for kind, raw in enumerate(_KINDS):
        which = kinds == kind
        made.data[which, : len(raw)] = np.frombuffer(raw, np.uint8)
        made.length[which] = len(raw)
    made.protocol[:] = np.where(made.data[:, 0] == ord("A"), int(Protocol.ARTNET), int(Protocol.E131))
    made.dst[:, 10:] = (255, 255, 239, 255, 0, 1)
    for turn in range(8):
        rows_changed = np.flatnonzero(chance.random(rows) < 0.35)
        end = np.where(chance.random(len(rows_changed)) < 0.8, _HEADER, made.length[rows_changed])
        place = (chance.random(len(rows_changed)) * np.minimum(end, made.length[rows_changed])).astype(int)
        value = np.where(
            chance.random(len(rows_changed)) < 0.5,
            chance.choice(_INTERESTING, len(rows_changed)),
            chance.integers(0, 256, len(rows_changed), np.uint8),
        )
        made.data[rows_changed, place] = value
        if turn == 0:
            cut = np.flatnonzero(chance.random(rows) < 0.1)
            made.length[cut] = chance.integers(0, batch.ROW_BYTES + 1, len(cut))
            made.protocol[chance.random(rows) < 0.02] = int(Protocol.LINE)
            made.flags[chance.random(rows) < 0.02] = batch.FLAG_TRUNCATED
            made.dst[chance.random(rows) < 0.05, 14] = 255
    return made


def compare(seed: int) -> str:
    """Hold one batch against the slow decoder; what differs, or nothing."""
    try:
        agree(packets_of(seed))
    except AssertionError as difference:
        return f"batch {seed}: {difference}"
    return ""


def main(packets: int, first: int) -> int:
    batches, began_s = -(-packets // ROWS), time.monotonic()
    with multiprocessing.Pool(os.cpu_count()) as pool:
        for done, difference in enumerate(pool.imap_unordered(compare, range(first, first + batches), 16), 1):
            if difference:
                print(difference, file=sys.stderr)
                pool.terminate()
                return 1
            if done % 1000 == 0:
                print(f"{done * ROWS:,} packets in {time.monotonic() - began_s:.0f} s, no difference", flush=True)
    print(f"{batches * ROWS:,} packets, no difference between the two decoders")
    return 0


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:3]]
    sys.exit(main(numbers[0] if numbers else PACKETS, numbers[1] if len(numbers) > 1 else 1))
