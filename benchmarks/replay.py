"""How fast a capture is judged: `slotwatch replay` on 512 universes at 44 Hz, from a file, start of Python included.

Run alone: `python -m benchmarks.replay`.
"""

from __future__ import annotations

import re
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from slotwatch.wire.compose import e131_data

GOAL_HZ = 150_000
UNIVERSES = 512
RATE_HZ = 44
PACKETS = 900_000
AT_ONCE = 8192
HEADERS = 42
"""Bytes of Ethernet, IPv4 and UDP before the payload."""


def record(universe: int) -> NDArray[np.uint8]:
    """One record of a capture: 16 bytes of its own head, then the frame."""
    payload = e131_data(b"slotwatch-bench0", "benchmark", universe, 0, bytes(512))
    group = bytes((universe >> 8, universe & 0xFF))
    udp = (5568).to_bytes(2) * 2 + (8 + len(payload)).to_bytes(2) + bytes(2)
    ip = (
        b"\x45\0"
        + (28 + len(payload)).to_bytes(2)
        + bytes(4)
        + b"\x10\x11\0\0"
        + bytes((10, 0, 0, 1, 239, 255))
        + group
    )
    ethernet = b"\x01\0\x5e\x7f" + group + b"\x02\0\0\0\0\x01\x08\0"
    return np.frombuffer(bytes(16) + ethernet + ip + udp + payload, np.uint8)


def write(path: Path, packets: int) -> None:
    """A capture of this many packets: sequence and 64 slots move, as in the live benchmark."""
    records = np.stack([record(number) for number in range(1, UNIVERSES + 1)])
    first = 16 + HEADERS
    length = records.shape[1] - 16
    with path.open("wb") as file:
        file.write(np.array([0xA1B2C3D4, 4 << 16 | 2, 0, 0, 65535, 1], "<u4").tobytes())
        for begin in range(0, packets, AT_ONCE):
            index = np.arange(begin, min(packets, begin + AT_ONCE))
            rows, frame = records[index % UNIVERSES], index // UNIVERSES
            time_us = (index * (1e6 / (UNIVERSES * RATE_HZ))).astype(np.int64)
            head = np.empty((len(index), 4), "<u4")
            head[:, 0], head[:, 1] = 1_700_000_000 + time_us // 1_000_000, time_us % 1_000_000
            head[:, 2] = head[:, 3] = length
            rows[:, :16] = head.view(np.uint8)
            rows[:, first + 111] = frame & 0xFF
            rows[:, first + 126 :: 8] = ((frame * 5) & 0xFF)[:, None]
            file.write(rows.tobytes())


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="slotwatch-bench-") as place:
        path = Path(place) / "capture.pcap"
        write(path, PACKETS)
        path.read_bytes()  # the disk is not what is measured
        before, began_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
        words = [sys.executable, "-m", "slotwatch.cli", "replay", str(path)]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        elapsed_s, after = time.monotonic() - began_s, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode > 1 or not re.search(rf"{PACKETS:,}|{PACKETS}", done.stdout):
        raise SystemExit(f"replay did not read the whole capture:\n{done.stdout[:500]}{done.stderr[-500:]}")
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(f"  {PACKETS:,} packets of {UNIVERSES} universes in {elapsed_s:.2f} s, {cpu_s:.2f} s of it on a processor")
    print(f"  replay                             {PACKETS / elapsed_s:9,.0f} packets/s [{GOAL_HZ:,}]")


if __name__ == "__main__":
    main()
