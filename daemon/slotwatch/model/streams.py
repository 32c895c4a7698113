"""The table of streams: one row for one source's frames on one universe of one network.

A stream's key is network, protocol, universe, source id and sender's address, so the two series of a cloned
identity never mix.

Bounds, because everything here is keyed by what the network says: 64 streams on a universe, 4,096 sources,
MAX_STREAMS streams, and 1,000 new streams a second after a first MAX_STREAMS. At a bound, the stream that
makes room is one that is silent past its timeout and comes from no declared source; those that never lived
long (under 100 frames) first, then the longest silent. A flood of forged sources therefore only ever pushes
out itself. Where nothing may be pushed out, the new stream's packets are counted and not kept.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import cadence, levels
from slotwatch.model.columns import MAX_SOURCES_PER_UNIVERSE, MAX_STREAMS, STREAM
from slotwatch.model.keys import KeyIndex, stream_hashes
from slotwatch.model.sources import Sources
from slotwatch.model.table import Table
from slotwatch.model.universes import Universes
from slotwatch.model.windows import BUCKET_NS, Windows
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields

EXTRA = (
    ("key", "<u8"),  # hash of its key
    ("last_destination", "<u8"),  # low half of the last destination address, as it lies in memory
    # --- the series of sequence numbers, see model.sequence
    ("series_known", "?"),
    ("series_seen", "u1"),
    ("series_mask", "<u8"),
    ("series_step", "u1"),
    ("expected_step", "<u2"),  # the step that needs no judgement of its own; EVERY_STEP: each is judged
    ("series_votes", "u1"),
    ("series_run", "<u2"),
    ("series_pending", "<i4"),
    ("series_packets", "u1"),
)
EVERY_STEP = 0x100
ESTABLISHED_FRAMES = 100
NEW_PER_SECOND = 1000
DAY_NS = 86_400_000_000_000


class Streams(Table):
    """Rows of `columns.STREAM`, EXTRA, `cadence.COLUMNS` and `levels.COLUMNS`."""

    def __init__(self, universes: Universes, sources: Sources, now_ns: int) -> None:
        super().__init__((*STREAM, *EXTRA, *cadence.COLUMNS, *levels.COLUMNS), capacity=64, bound=MAX_STREAMS)
        self.windows = Windows(self, now_ns // BUCKET_NS)
        self.universes, self.sources = universes, sources
        self.evictions: Counter[str] = Counter()
        self.unkept: Counter[str] = Counter()
        """Packets not kept, by the bound that was reached."""
        self.last_unkept_ns = 0
        """When a packet was last not kept because of a bound."""
        self._index = KeyIndex()
        self._allowance = float(MAX_STREAMS)
        self._allowance_ns = now_ns

    def find(self, batch: Batch, fields: Fields, rows: NDArray[np.intp] | slice) -> NDArray[np.int32]:
        """Stream of each of these rows of a batch; new streams are added. -1: counted, not kept."""
        hashes = stream_hashes(
            batch.network[rows],
            batch.protocol[rows],
            fields.universe[rows],
            np.ascontiguousarray(fields.source_id[rows]),
            np.ascontiguousarray(batch.src[rows]),
        )
        found = self._index.find(hashes)
        unknown = (found < 0).nonzero()[0]
        if len(unknown):
            at = np.arange(len(batch))[rows]
            self._register(batch, fields, at, hashes, unknown)
            found = self._index.find(hashes)
        return found

    def _register(
        self,
        batch: Batch,
        fields: Fields,
        rows: NDArray[np.intp],
        hashes: NDArray[np.uint64],
        unknown: NDArray[np.intp],
    ) -> None:
        _, firsts, counts = np.unique(hashes[unknown], return_index=True, return_counts=True)
        order = np.argsort(firsts)
        new_hashes: list[int] = []
        new_rows: list[int] = []
        for first, packets in zip(unknown[firsts[order]].tolist(), counts[order].tolist(), strict=True):
            row = self._admit(batch, fields, int(rows[first]), hashes[first], packets)
            if row >= 0:
                new_hashes.append(int(hashes[first]))
                new_rows.append(row)
        if new_rows:
            self._index.insert(np.array(new_hashes, np.uint64), np.array(new_rows, np.int32))
        self.windows.fit()

    def _admit(self, batch: Batch, fields: Fields, at: int, key: np.uint64, packets: int) -> int:
        """Add one stream, if the bounds let it in; -1 if not."""
        t_ns = int(batch.t_ns[at])
        self._allowance = min(MAX_STREAMS, self._allowance + max(0, t_ns - self._allowance_ns) * NEW_PER_SECOND / 1e9)
        self._allowance_ns = max(self._allowance_ns, t_ns)
        network, protocol = int(batch.network[at]), int(batch.protocol[at])
        number = int(fields.universe[at])
        universe = self.universes.by_place.get((network, protocol, number), -1)
        bound = self._bound_reached(universe, t_ns)
        if bound:
            return self._refuse(bound, universe, t_ns, packets)
        source_key = (network, protocol, fields.source_id[at].tobytes(), batch.src[at].tobytes())
        source = self.sources.find_or_add(source_key, t_ns)
        if source < 0:
            return self._refuse("sources", universe, t_ns, packets)
        self._allowance -= 1
        universe = self.universes.find_or_add(network, protocol, number)
        row = self.add()
        self.windows.fit()
        self.key[row] = key
        self.universe[row], self.source[row] = universe, source
        self.network[row], self.protocol[row], self.number[row] = network, protocol, number
        self.timeout_ns[row] = self.universes.loss_timeout_ns[universe]
        self.last_packet_ns[row] = t_ns
        self.expected_step[row] = EVERY_STEP
        self.sequence_measurable[row] = True
        self.sources.streams[source] += 1
        self.universes.streams[universe] += 1
        self.universes.sources_seen[universe] += 1
        return row

    def _bound_reached(self, universe: int, t_ns: int) -> str:
        """Name the bound that keeps a new stream out, after making room where that may be; empty if none."""
        if self._allowance < 1:
            return "rate"
        if universe >= 0 and self.universes.streams[universe] >= MAX_SOURCES_PER_UNIVERSE:
            return "" if self._make_room(t_ns, universe) else "universe"
        if self.is_full and not self._make_room(t_ns, None):
            return "streams"
        return ""

    def _refuse(self, bound: str, universe: int, t_ns: int, packets: int) -> int:
        self.unkept[bound] += packets
        self.last_unkept_ns = max(self.last_unkept_ns, t_ns)
        if universe >= 0:
            self.universes.unkept[universe] += packets
            self.universes.last_unkept_ns[universe] = t_ns
        return -1

    def _make_room(self, now_ns: int, universe: int | None) -> bool:
        top = self.top
        idle = self.used[:top] & ~self.live[:top] & (now_ns - self.last_packet_ns[:top] > self.timeout_ns[:top])
        if universe is not None:
            idle &= self.universe[:top] == universe
        rows = np.flatnonzero(idle)
        rows = rows[self.sources.declared[self.source[rows]] < 0]
        if not len(rows):
            return False
        established = self.frames[rows] >= ESTABLISHED_FRAMES
        if not established.all():
            rows = rows[~established]
        self.forget(int(rows[np.argmin(self.last_packet_ns[rows])]))
        self.evictions["streams"] += 1
        return True

    def forget(self, row: int) -> None:
        """Free a row; its universe goes with it when it is undeclared and this was its last stream."""
        universe, source = int(self.universe[row]), int(self.source[row])
        self._index.remove(int(self.key[row]))
        self.tell_universes(np.array([row]), np.array([self.windows.unfolded_frames(row)]))
        self.windows.forget(row)
        self.live[row] = False
        self.remove(row)
        self.sources.streams[source] -= 1
        self.universes.streams[universe] -= 1
        if self.universes.streams[universe] == 0 and self.universes.declared[universe] < 0:
            self.universes.forget(universe)

    def tell_universes(self, rows: NDArray[np.intp], frames: NDArray[Any]) -> None:
        """Bring universes and sources up to what these streams know. frames: how many are new of each."""
        universes, of = self.universes, self.universe[rows]
        alone = bool((np.bincount(of) <= 1).all())
        if alone:
            # One stream on each universe, as in most houses: plain indexing is ten times as fast.
            universes.frames[of] += frames.astype(np.uint64)
        else:
            np.add.at(universes.frames, of, frames.astype(np.uint64))
        for name in ("last_frame_ns", "last_arrival_ns", "last_change_ns", "last_preview_ns"):
            latest, column = getattr(self, name)[rows], getattr(universes, name)
            if alone:
                column[of] = np.maximum(column[of], latest)
            else:
                np.maximum.at(column, of, latest)
        first = self.first_frame_ns[rows]
        fresh = np.flatnonzero((first > 0) & (universes.first_frame_ns[of] == 0))
        if len(fresh):
            earliest = np.full(universes.capacity, np.iinfo(np.int64).max)
            np.minimum.at(earliest, of[fresh], first[fresh])
            universes.first_frame_ns[of[fresh]] = earliest[of[fresh]]
        np.maximum.at(self.sources.last_seen_ns, self.source[rows], self.last_packet_ns[rows])

    def tell_gaps(self) -> None:
        """Once a second: a universe's gap is the shortest of the longest gaps of its live streams."""
        rows = np.flatnonzero(self.live[: self.top])
        shortest = np.full(self.universes.capacity, np.iinfo(np.int64).max)
        gaps_ns = self.windows.gaps_of_this_second_us()[rows].astype(np.int64) * 1000
        np.minimum.at(shortest, self.universe[rows], gaps_ns)
        known = shortest < np.iinfo(np.int64).max
        longest = self.universes.minute_gap_ns
        longest[known] = np.maximum(longest[known], shortest[known])

    def forget_old(self, now_ns: int) -> None:
        """Forget undeclared streams, and sources without any, that were not heard for a day."""
        top = self.top
        for row in np.flatnonzero(self.used[:top] & (now_ns - self.last_packet_ns[:top] > DAY_NS)).tolist():
            if self.sources.declared[self.source[row]] < 0:
                self.forget(row)
        sources = self.sources
        top = sources.top
        old = sources.used[:top] & (sources.streams[:top] == 0) & (now_ns - sources.last_seen_ns[:top] > DAY_NS)
        for row in np.flatnonzero(old).tolist():
            sources.forget(row)
