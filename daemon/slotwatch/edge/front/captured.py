"""Packets of a capture that the recorder wrote, read piece by piece."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from slotwatch.wire.pcap import Reader

PIECE_BYTES = 1 << 20


def packets_in(path: Path) -> Iterator[tuple[int, bytes]]:
    """Yield (wall-clock ns, packet) in the order of the file. OSError if it cannot be read."""
    reader = Reader()
    with path.open("rb") as file:
        while piece := file.read(PIECE_BYTES):
            for records in reader.feed(piece):
                for index in range(len(records.start)):
                    begin = int(records.start[index])
                    kept = records.octets[begin : begin + int(records.captured[index])].tobytes()
                    yield int(records.t_ns[index]), kept
    reader.close()
