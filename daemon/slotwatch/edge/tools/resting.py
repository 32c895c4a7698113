"""Packets of a house at rest: each stream repeats its last frame at an even pace, and nothing else comes.

Source: ANSI E1.31-2018 6.6.2: a source that suppresses what does not change sends one packet every 800 to 1000 ms.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.edge.tools.captures import MOST_ROWS, Chunk
from slotwatch.model.keys import stream_hashes
from slotwatch.wire.batch import Batch, joined
from slotwatch.wire.decode import decode
from slotwatch.wire.fields import PacketKind
from slotwatch.wire.universe import Protocol

SHORTEST_NS = 500_000_000
LONGEST_NS = 1_500_000_000
"""Pace of a stream at rest, with jitter; every loss timeout is longer."""
LEAST_LEAP_NS = 30_000_000_000
"""A shorter rest is not worth a leap."""
MOST_JOINED = 4
LEAST_PACE_NS = LEAST_LEAP_NS // (MOST_JOINED * MOST_ROWS)
"""Where packets come faster, so many chunks are shorter than a rest that is worth a leap: each is taken separately."""
SEQUENCE, OPTIONS = 111, 112
"""Bytes of an E1.31 packet (ANSI E1.31-2018 table 4-2)."""


def joined_where_slow(chunks: Iterable[Chunk]) -> Iterator[Chunk]:
    """Join chunks in which little comes: a rest is then found over longer times."""
    waiting: list[Chunk] = []
    for chunk in chunks:
        rows = len(chunk.batch)
        slow = rows > 0 and int(chunk.batch.t_ns[-1] - chunk.batch.t_ns[0]) > LEAST_PACE_NS * rows
        if waiting and (not slow or chunk.observations or len(waiting) == MOST_JOINED):
            yield _joined(waiting)
            waiting = []
        if slow and not chunk.observations:
            waiting.append(chunk)
        else:
            yield chunk
    if waiting:
        yield _joined(waiting)


def _joined(chunks: list[Chunk]) -> Chunk:
    return chunks[0] if len(chunks) == 1 else Chunk(joined([chunk.batch for chunk in chunks]), [])


@dataclass(frozen=True, slots=True)
class Rests:
    """Which packets of a batch only repeat a look at rest."""

    times_ns: NDArray[np.int64]
    hashes: NDArray[np.uint64]
    """Stream of each packet."""
    breaks: NDArray[np.intp]
    """Packets that do more, ascending."""

    def run(self, row: int) -> tuple[int, int, int]:
        """Return the end of the run that begins with this packet, until when all its streams send, and how many they
        are."""
        at = int(np.searchsorted(self.breaks, row))
        end = int(self.breaks[at]) if at < len(self.breaks) else len(self.times_ns)
        if end <= row:
            return row, 0, 0
        _, last = np.unique(self.hashes[row:end][::-1], return_index=True)
        return end, int(self.times_ns[end - 1 - last].min()), len(last)


def find_rests(batch: Batch) -> Rests:
    """Compare each packet of a batch with the last one of its stream in it."""
    fields = decode(batch)
    hashes = stream_hashes(
        batch.network, batch.protocol, fields.universe, np.ascontiguousarray(fields.source_id), batch.src
    )
    order = np.argsort(hashes, kind="stable")
    now, before = order[1:], order[:-1]
    gap_ns = batch.t_ns[now] - batch.t_ns[before]
    alike = (hashes[now] == hashes[before]) & (gap_ns >= SHORTEST_NS) & (gap_ns <= LONGEST_NS)
    for column in (batch.length, batch.src_port, batch.flags):
        alike &= column[now] == column[before]
    alike &= (batch.dst[now] == batch.dst[before]).all(1)
    raw = batch.data[:, : max(OPTIONS + 1, int(batch.length.max(initial=0)))][order]
    alike &= raw[1:, SEQUENCE] == raw[:-1, SEQUENCE] + np.uint8(1)
    raw[:, SEQUENCE] = 0
    alike &= (raw[1:] == raw[:-1]).all(1)
    alike &= (batch.protocol[now] == Protocol.E131) & (fields.kind[now] == PacketKind.LEVELS)
    alike &= (fields.status[now] == 0) & (batch.data[now, OPTIONS] == 0)
    rests = np.zeros(len(batch), np.bool_)
    rests[now] = alike
    return Rests(batch.t_ns, hashes, np.flatnonzero(~rests))
