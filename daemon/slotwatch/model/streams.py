"""The table of streams: one row for one source's frames on one universe of one network.

A stream's key is network, protocol, universe, source id and sender's address, so the two series of a cloned
identity never mix. Who is let in is said in `newcomers`.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import cadence, levels, minute_intervals
from slotwatch.model.admission import BRIEF_NS, MOST_BRIEF, EvictionOrder, rank
from slotwatch.model.columns import MAX_STREAMS, STREAM
from slotwatch.model.keys import KeyIndex
from slotwatch.model.resizing import UNCHANGED
from slotwatch.model.sources import Sources
from slotwatch.model.table import Table
from slotwatch.model.universes import Universes
from slotwatch.model.window_words import CompiledWindows
from slotwatch.model.windows import BUCKET_NS, Windows

EXTRA = (
    ("key", "<u8"),  # hash of its key
    ("first_packet_ns", "<i8"),
    ("knocks", "u1"),  # packets that came of it before it was let in
    ("last_destination", "<u8"),  # low half of the last destination address, as it lies in memory
    ("destinations", "u1"),  # to how many addresses its packets go in turn
    ("destinations_ns", "<i8"),  # when that was last seen; 0: it has one
    ("destinations_since_ns", "<i8"),  # since when it has been seen without a pause
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
    ("left_number", "u1"),  # the number before its last jump, see model.interleaving
)
EVERY_STEP = 0x100
TOLD = ("last_frame_ns", "last_arrival_ns", "last_change_ns", "last_preview_ns")
"""Of these a universe has the newest of its streams."""
LATEST_NS = np.iinfo(np.int64).max


class Streams(Table):
    """Rows of `columns.STREAM`, EXTRA, and COLUMNS of `cadence`, `minute_intervals` and `levels`."""

    def __init__(
        self, universes: Universes, sources: Sources, now_ns: int, compiled: CompiledWindows | None = None
    ) -> None:
        columns = (*STREAM, *EXTRA, *cadence.COLUMNS, *minute_intervals.COLUMNS, *levels.COLUMNS)
        super().__init__(columns, capacity=64, bound=MAX_STREAMS)
        self.windows = Windows(self, now_ns // BUCKET_NS, compiled)
        self.universes, self.sources = universes, sources
        self.evictions: Counter[str] = Counter()
        self.unkept: Counter[str] = Counter()
        """Packets not kept, by the bound that was reached."""
        self.last_unkept_ns = 0
        """When a packet was last not kept because of a bound."""
        self._index = KeyIndex()
        self.unindexed: dict[int, int] = {}
        """Rows by hash that were added by the batch at hand."""

    def find(self, hashes: NDArray[np.uint64]) -> NDArray[np.int32]:
        """Give the rows of these keys; -1 where there is none."""
        return self._index.find(hashes)

    def index(self, hashes: NDArray[np.uint64], rows: NDArray[np.int32]) -> None:
        """Have these rows found by their keys from now on."""
        self._index.insert(hashes, rows)

    def begin(self, rows: Any, universe: Any, source: Any, t_ns: Any) -> None:
        """Fill rows of new streams: one, or several as arrays."""
        self.universe[rows], self.source[rows] = universe, source
        for name in ("network", "protocol", "number"):
            getattr(self, name)[rows] = getattr(self.universes, name)[universe]
        self.timeout_ns[rows] = self.universes.loss_timeout_ns[universe]
        self.last_packet_ns[rows] = self.first_packet_ns[rows] = t_ns
        self.expected_step[rows] = EVERY_STEP
        self.sequence_measurable[rows] = True
        self.slots_before[rows] = UNCHANGED
        np.add.at(self.sources.streams, source, np.uint16(1))
        np.add.at(self.universes.streams, universe, np.uint16(1))
        np.add.at(self.universes.sources_seen, universe, np.uint64(1))

    def standing(self, rows: NDArray[np.intp], now_ns: int) -> EvictionOrder:
        """What counts of these streams when room is made."""
        last_ns = self.last_packet_ns[rows]
        idle = ~self.live[rows] & (now_ns - last_ns > self.timeout_ns[rows])
        brief = last_ns - self.first_packet_ns[rows] < BRIEF_NS
        ranks = rank(self.sources.declared[self.source[rows]] >= 0, self.universes.declared[self.universe[rows]] >= 0)
        packets = self.packets[rows].astype(np.int64) + self.windows.unfolded_packets(rows)
        return EvictionOrder(idle, brief, ranks, last_ns, packets + self.knocks[rows])

    def forget(self, row: int) -> None:
        """Free a row; its universe goes with it when it is undeclared and this was its last stream."""
        universe, source = int(self.universe[row]), int(self.source[row])
        key = int(self.key[row])
        if self.unindexed.pop(key, -1) < 0:
            self._index.remove(key)
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
        if len(rows) == 1:
            self._tell_universe(int(rows[0]), frames)
            return
        universes, of = self.universes, self.universe[rows]
        alone = not np.count_nonzero(np.bincount(of) > 1)
        if alone:
            # One stream on each universe, as in most houses: plain indexing is ten times as fast.
            universes.frames[of] += frames.astype(np.uint64)
        else:
            np.add.at(universes.frames, of, frames.astype(np.uint64))
        for name in TOLD:
            latest, column = getattr(self, name)[rows], getattr(universes, name)
            if alone:
                column[of] = np.maximum(column[of], latest)
            else:
                np.maximum.at(column, of, latest)
        first = self.first_frame_ns[rows]
        fresh = ((first > 0) & (universes.first_frame_ns[of] == 0)).nonzero()[0]
        if len(fresh):
            earliest = np.full(universes.capacity, LATEST_NS)
            np.minimum.at(earliest, of[fresh], first[fresh])
            universes.first_frame_ns[of[fresh]] = earliest[of[fresh]]
        np.maximum.at(self.sources.last_seen_ns, self.source[rows], self.last_packet_ns[rows])

    def _tell_universe(self, row: int, frames: NDArray[Any]) -> None:
        """Do the same of one stream, as most captures of a far slower house have: array work costs five times as
        much."""
        universes, universe, source = self.universes, int(self.universe[row]), int(self.source[row])
        universes.frames[universe : universe + 1] += frames.astype(np.uint64)
        for name in TOLD:
            latest, column = getattr(self, name)[row], getattr(universes, name)
            if latest > column[universe]:
                column[universe] = latest
        first = self.first_frame_ns[row]
        if first > 0 and universes.first_frame_ns[universe] == 0:
            universes.first_frame_ns[universe] = first
        last_seen_ns, last_packet_ns = self.sources.last_seen_ns, self.last_packet_ns[row]
        if last_packet_ns > last_seen_ns[source]:
            last_seen_ns[source] = last_packet_ns

    def tell_gaps(self) -> None:
        """Once a second: a universe's gap is the shortest of the longest gaps of its live streams."""
        rows = self.live[: self.top].nonzero()[0]
        if not len(rows):
            return
        if len(rows) == 1:
            universe, gap_ns = int(self.universe[rows[0]]), int(self.windows.gaps_of_this_second_us()[rows[0]]) * 1000
            if gap_ns > self.universes.minute_gap_ns[universe]:
                self.universes.minute_gap_ns[universe] = gap_ns
            return
        shortest = np.full(self.universes.capacity, LATEST_NS)
        gaps_ns = self.windows.gaps_of_this_second_us()[rows].astype(np.int64) * 1000
        np.minimum.at(shortest, self.universe[rows], gaps_ns)
        known = shortest < LATEST_NS
        longest = self.universes.minute_gap_ns
        longest[known] = np.maximum(longest[known], shortest[known])

    @property
    def is_crowded(self) -> bool:
        """Whether there are so many streams or sources that a flood may have left some of them."""
        return max(self.filled, self.sources.filled) > MOST_BRIEF or bool(self.sources.crowds)
