"""Routine packets: the same header as the stream's last packet, the next sequence number, and levels.

Nearly every packet of a running house is one. What the decoder and the first half of the model would find out about it
is known already. The compiled pass (`edge/shared/continuations.c`), where it was built, takes such packets one by one
without both. All other packets are decoded as usual, and without the compiled pass all are, with the same result.
`tests/model/test_continuations.py` feeds both the same packets and compares everything that the tables hold.

The last packet of a stream is remembered only if it was an accepted live frame without any oddity, and if the stream's
numbers rise by one. A later packet of the stream that is decoded replaces or drops it.
"""

from __future__ import annotations

from typing import Any, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.cadence import UNEVEN_FLOOR_US
from slotwatch.model.counters import PacketCounters
from slotwatch.model.destinations import Destination
from slotwatch.model.interval_words import CompiledIntervals
from slotwatch.model.levels import WEIGHTS
from slotwatch.model.lighttap import Laid, LightTap
from slotwatch.model.part import LEVELS, Part
from slotwatch.model.segments import Rows
from slotwatch.model.sources import NAME_AGAIN_NS
from slotwatch.model.streams import Streams
from slotwatch.model.winning import CompiledLevels
from slotwatch.wire.batch import Batch, addresses_of, is_plain
from slotwatch.wire.universe import Protocol as WireProtocol

HEAD_BYTES = 126
"""Bytes before slot 1 (ANSI E1.31-2018 table 4-1)."""
_E131 = int(WireProtocol.E131)
_PLACES_EACH = 4
"""Places of the look-up for each row of the table: few keys share one, so the next place is nearly always free."""
_COLUMNS = (
    *("live", "sequence", "series_votes", "series_packets", "lost_of_last_10", "sequence_measurable", "max_step"),
    *("network", "expected_step", "slots", "equal_frames", "source"),
    *("last_packet_ns", "last_arrival_ns", "last_frame_ns", "prev_frame_ns", "last_change_ns", "timeout_ns"),
    *("series_mask", "interval_count", "history_count", "history_hash", "history_ns", "intervals_us", "levels"),
)
"""Columns of the stream table in the order in which the compiled pass expects them."""


_WORDS = 30
"""Of a call, as `struct call` of `continuations.c` has them."""
_TAKEN, _SUM_US, _GAPS, _SHOWN, _LEFT_OUT = -6, -4, -3, -2, -1
"""Places of the answer in a call."""


class Taken(NamedTuple):
    """What the compiled pass did with some rows of a batch."""

    at: Rows
    """Rows that it took, in order of arrival, and their streams."""
    stream: Rows
    others: Rows
    """Rows that it left alone."""
    gaps: NDArray[np.int64]
    """(N, 4) of frames after a gap over UNEVEN_FLOOR_US: stream, gap in us, equal frames before it, is a change."""


class CompiledPass(Protocol):
    """The functions of `continuations.c`. All take addresses of arrays of 64-bit words."""

    @property
    def intervals(self) -> CompiledIntervals | None:
        """Those of `intervals.c`."""

    @property
    def levels(self) -> CompiledLevels | None:
        """That of `levels.c`."""

    def learn(self, table: int, call: int) -> int: ...

    def take(self, table: int, call: int) -> int: ...

    def flashes(self, frames: int) -> int: ...

    def pairs(self, frames: int) -> int: ...

    def fold(self, windows: int) -> int: ...

    def turn(self, windows: int) -> int: ...

    def fold_gaps(self, windows: int) -> int: ...


class _Scratch:
    """Where the compiled pass writes what it found, of this many rows at most."""

    def __init__(self, rows: int) -> None:
        self.at, self.stream, self.others = (np.empty(rows, np.int64) for _ in range(3))
        self.gaps = np.empty((rows, 4), np.int64)
        at, stream = self.at.ctypes.data, self.stream.ctypes.data
        self.addresses = at, stream, self.others.ctypes.data, self.gaps.ctypes.data


class Continuations:
    """The last packet of each stream, where the next one may be like it."""

    def __init__(self, streams: Streams, counters: PacketCounters, compiled: CompiledPass) -> None:
        self._streams, self._counters, self._compiled = streams, counters, compiled
        self._edges_us, self._weights = counters.edges_us.copy(), WEIGHTS.copy()
        self._calls = self._keys_used = 0
        self._of: tuple[int, int, int] = (0, 0, 0)
        self._ring: NDArray[np.int16] | None = None
        self._gaps_us_address = self._gaps_us_stride = self._table_address = 0
        self._words = np.zeros(_WORDS, np.int64)
        self._words_address = self._words.ctypes.data
        self._scratch = _Scratch(0)
        self._make(0)

    def _make(self, capacity: int) -> None:
        """Make room for this many streams; what was remembered is forgotten."""
        places = 1 << max(6, (_PLACES_EACH * capacity - 1).bit_length())
        self.ready = np.zeros(capacity, np.bool_)
        self._heads = np.zeros((capacity, HEAD_BYTES + 2), np.uint8)
        self._ways = np.zeros((capacity, 32), np.uint8)
        self._length = np.zeros(capacity, np.uint16)
        self._left = np.zeros(capacity, np.int64)
        self._keys = np.zeros(places, np.uint64)
        self._rows = np.full(places, -1, np.int32)
        self._keys_used = 0

    def _fit(self) -> None:
        """Follow tables that grew."""
        streams, ring = self._streams, self._streams.windows.ring
        universes = streams.universes
        of = (streams.capacity, streams.sources.capacity, universes.capacity)
        if of == self._of and ring is self._ring:
            return
        if streams.capacity != self._of[0]:
            self._make(streams.capacity)
        self._of, self._ring = of, ring
        gaps_us = streams.windows.gaps_us
        self._gaps_us_address, self._gaps_us_stride = gaps_us.ctypes.data, gaps_us.strides[0]
        columns: list[NDArray[Any]] = [getattr(streams, name) for name in _COLUMNS]
        sources, intervals = streams.sources, self._counters.intervals[_E131]
        columns += [sources.name_read_ns, sources.raw_name, intervals, self._edges_us, self._weights, ring]
        kept = (self.ready, self._heads, self._ways, self._length, self._left, self._keys, self._rows)
        addresses = [one.ctypes.data for one in columns]
        owners = (streams.universe, universes.winner, universes.declared)
        addresses += [ring.shape[2], *(one.ctypes.data for one in (*owners, *kept)), len(self._keys)]
        self._table = np.array(addresses, np.int64)
        self._table_address = self._table.ctypes.data

    # --- remembering ----------------------------------------------------------------------------------

    def learn(self, part: Part, accepted: NDArray[np.bool_] | None) -> None:
        """Remember the last packet of each stream of a part that was taken. accepted: None for all."""
        self._fit()
        table, segments, batch = self._streams, part.segments, part.batch
        rows, at = segments.rows, segments.last(part.at)
        self.ready[rows] = False
        good = (segments.last(part.kind) == LEVELS) & (segments.last(part.options) == 0) & (part.fields.odd[at] == 0)
        good &= (batch.protocol[at] == _E131) & (batch.flags[at] == 0)
        good &= batch.length[at] == part.fields.slots[at].astype(np.int32) + HEAD_BYTES
        # Only series that rise by one: all others are judged number by number.
        good &= (
            table.live[rows]
            & (table.expected_step[rows] == 1)
            & (table.destination_kind[rows] != Destination.OTHER_GROUP)
        )
        if accepted is not None:
            good &= segments.last(accepted)
        which = good.nonzero()[0]
        if not len(which):
            return
        if self._keys_used + len(which) > len(self._rows) // 2:
            self._rows[:], self.ready[:], self._keys_used = -1, False, 0  # most are of streams that are forgotten
        at, rows = at[which].astype(np.int64), rows[which].astype(np.int64)
        call = self._call(batch, 0, 0, (at.ctypes.data, rows.ctypes.data, 0, 0))
        call[_TAKEN] = len(which)
        self._keys_used += self._compiled.learn(self._table_address, self._words_address)

    # --- taking ---------------------------------------------------------------------------------------

    def take(self, batch: Batch, first: int, end: int, tap: LightTap | None = None) -> Taken:
        """Take the routine packets among the rows [first, end) of a batch. All must be of the bucket that is being
        filled. tap: is shown the frames that are taken. The next call overwrites the result.
        """
        self._fit()
        if end - first > len(self._scratch.at):
            self._scratch = _Scratch(end - first)
        found = self._scratch
        laid = None if tap is None else tap.lay_out(end - first)
        call = self._call(batch, first, end, found.addresses, laid)
        taken = self._compiled.take(self._table_address, self._words_address)
        if taken:
            self._streams.windows.note_filled()
            self._counters.packets[_E131] += taken
            self._counters.interval_sum_s[_E131] += int(call[_SUM_US]) / 1e6
        if tap is not None and laid is not None:
            tap.keep(laid, int(call[_SHOWN]), int(call[_LEFT_OUT]))
        others = found.others[: end - first - taken]
        return Taken(found.at[:taken], found.stream[:taken], others, found.gaps[: int(call[_GAPS])])

    def _call(
        self, batch: Batch, first: int, end: int, found: tuple[int, int, int, int], laid: Laid | None = None
    ) -> NDArray[np.int64]:
        """Lay out what the compiled pass needs to know of a batch. The last six are its answer, beside `found`."""
        self._calls += 1
        windows = self._streams.windows
        self._words[:] = (
            self._calls,
            *addresses_of(batch),
            first,
            end,
            windows.place,
            self._gaps_us_address + windows.second * self._gaps_us_stride,
            NAME_AGAIN_NS,
            UNEVEN_FLOOR_US,
            *found,
            *((0, 0, 0) if laid is None else (laid.words.ctypes.data, len(laid.words), laid.room)),
            *(0,) * 6,
        )
        return self._words


def may_be_routine(batch: Batch) -> bool:
    """Whether the compiled pass can read a batch: as plain memory, with rows wide enough for any packet it takes."""
    return batch.data.shape[1] >= HEAD_BYTES + 512 and is_plain(batch)
