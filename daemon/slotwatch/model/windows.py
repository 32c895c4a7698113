"""Sums over the last 1, 5 and 10 seconds, kept as a ring of 100 ms buckets for every stream.

A window is made of whole buckets: it ends with the last finished one, so at most 100 ms before now, and a rate
is its sum divided by exactly its length. Packets only add to the bucket that is being filled; `turn` brings the
sums forward by what it held and by what leaves. Totals follow in `fold`, which every `Model.advance` does.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.table import Table
from slotwatch.model.window_words import CompiledWindows, WindowWords

BUCKET_NS = 100_000_000
BUCKETS = 101
"""The longest window, and the bucket that is being filled."""
SECOND = 10
"""Buckets in a second."""
SECONDS = 10
ROWS_AT_ONCE = 256
"""Rows whose buckets are looked at in one step: they fit a processor's cache."""

FRAMES, SMALL_CHANGES, STEPS, COPIES, OTHERS, LOST, DISCARDED, UNEVEN = range(8)
"""What is counted. OTHERS: packets that are not accepted live frames."""
METRICS = 8

# Each window column: its name, its length in buckets, and the counts that make it up.
COLUMNS: tuple[tuple[str, int, tuple[int, ...]], ...] = (
    ("frames_1s", 10, (FRAMES,)),
    ("frames_5s", 50, (FRAMES,)),
    ("frames_10s", 100, (FRAMES,)),
    ("changed_5s", 50, (SMALL_CHANGES, STEPS)),
    ("stepped_5s", 50, (STEPS,)),
    ("copies_5s", 50, (COPIES,)),
    ("packets_5s", 50, (FRAMES, OTHERS)),
    ("lost_10s", 100, (LOST,)),
    ("discarded_10s", 100, (DISCARDED,)),
    ("uneven_10s", 100, (UNEVEN,)),
)
# Counters since the stream appeared that follow the same counts.
TOTALS: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("frames", (FRAMES,)),
    ("changes", (SMALL_CHANGES, STEPS)),
    ("packets", (FRAMES, OTHERS)),
)

_READY = {(length, metrics): name for name, length, metrics in COLUMNS}
_READY_FOR_AT_LEAST = {each: sorted(length for _, length, its in COLUMNS if its == each) for _, _, each in COLUMNS}
_LENGTHS = sorted({length for _, length, _ in COLUMNS})
_SUMS = [(name, _LENGTHS.index(length), metric) for name, length, metrics in COLUMNS for metric in metrics]
_TOTALS = [(name, metric) for name, metrics in TOTALS for metric in metrics]
LONGEST_KEPT = BUCKETS + 2 * SECOND
"""Buckets after which nothing of what was counted is left in any window."""
MOST_FILLED = 16
"""With more the next bucket is sure to change something, or nearly so."""
_SECONDS_AHEAD = (1, SECONDS, SECONDS + 1)
"""Seconds after which longest gaps are reported and forgotten."""
FAR = 1 << 40


class Windows:
    """The rings behind the stream table's window columns."""

    def __init__(self, table: Table, bucket: int, compiled: CompiledWindows | None = None) -> None:
        """compiled: folds and turns where it is there; without it numpy does, with the same result."""
        self._table, self._compiled = table, compiled
        self._told: WindowWords | None = None
        capacity = table.capacity
        self._ring: NDArray[np.int16] = np.zeros((METRICS, BUCKETS, capacity), np.int16)
        self._folded: NDArray[np.int16] = np.zeros((METRICS, capacity), np.int16)
        self._unreported: NDArray[np.int64] = np.zeros(capacity, np.int64)
        self._gaps_us: NDArray[np.uint32] = np.zeros((SECONDS, capacity), np.uint32)
        self._uneven_us: NDArray[np.uint32] = np.zeros((SECONDS + 1, capacity), np.uint32)
        self._bucket = self._added_bucket = bucket
        self._filled: deque[int] = deque(maxlen=LONGEST_KEPT)
        """Buckets in which anything was counted, as long as a window may hold them."""
        self._held: dict[int, list[bool]] = {}
        """Of those that are finished, which counts they hold, where it was asked."""

    def are_empty_at(self, bucket: int) -> bool:
        """Whether every window will have been empty for a second and more at this bucket, if nothing is added."""
        return bucket - self._added_bucket > max(BUCKETS, SECONDS * SECOND) + SECOND

    @property
    def ring(self) -> NDArray[np.int16]:
        """(METRICS, BUCKETS, capacity) counts; made again when the table grows."""
        return self._ring

    @property
    def gaps_us(self) -> NDArray[np.uint32]:
        """(SECONDS, capacity) longest gaps of the last seconds; made again when `ring` is."""
        return self._gaps_us

    @property
    def place(self) -> int:
        """Which bucket of the ring is being filled."""
        return self._bucket % BUCKETS

    @property
    def filling_ns(self) -> int:
        """When the bucket that is being filled began."""
        return self._bucket * BUCKET_NS

    @property
    def second(self) -> int:
        """Which row of `gaps_us` is being filled."""
        return self._bucket // SECOND % SECONDS

    @property
    def _uneven_second(self) -> int:
        return self._bucket // SECOND % (SECONDS + 1)

    def fit(self, *, anew: bool = False) -> None:
        """Grow with the table. anew: rows that are not in use take no memory then, also where it has not grown."""
        more = self._table.capacity - self._ring.shape[2]
        if more > 0 or anew:
            before, self._ring = self._ring, np.zeros((METRICS, BUCKETS, self._table.capacity), np.int16)
            rows = self._table.used[: before.shape[2]].nonzero()[0]
            for metric, bucket in np.argwhere(before.any(2)).tolist():  # the others take no memory
                self._ring[metric, bucket, rows] = before[metric, bucket, rows]
            self._folded = np.pad(self._folded, ((0, 0), (0, more)))
            self._unreported = np.pad(self._unreported, (0, more))
            self._gaps_us = np.pad(self._gaps_us, ((0, 0), (0, more)))
            self._uneven_us = np.pad(self._uneven_us, ((0, 0), (0, more)))

    def add(self, metric: int, rows: NDArray[np.intp], counts: Any) -> None:
        """Add int16 counts to the bucket that is being filled. Rows must differ from each other."""
        self._ring[metric, self.place][rows] += counts
        self.note_filled()

    def add_gap(self, rows: NDArray[np.intp], gaps_us: NDArray[np.uint32]) -> None:
        """Remember the longest gap of the second that is being filled. Rows must differ."""
        second = self._gaps_us[self.second]
        second[rows] = np.maximum(second[rows], gaps_us)
        self.note_filled()

    def add_uneven(self, rows: NDArray[np.intp], gaps_us: NDArray[np.uint32]) -> None:
        """Remember the longest uneven gap of the second that is being filled. Rows must differ."""
        second = self._uneven_us[self._uneven_second]
        second[rows] = np.maximum(second[rows], gaps_us)
        self.note_filled()

    def note_filled(self) -> None:
        """Note that something was added to the bucket that is being filled."""
        if self._added_bucket != self._bucket or not self._filled:
            self._filled.append(self._bucket)
            self._added_bucket = self._bucket

    def next_change(self, metrics: Iterable[int], buckets: int) -> int:
        """The next bucket at whose start a sum of these counts may change; one that is far away if it does not."""
        at, length = self._bucket, min(buckets, BUCKETS - 1)
        self._drop_old()
        if len(self._filled) > MOST_FILLED:
            return at + 1
        soonest = at + FAR
        for filled in self._filled:
            # It comes in when it is finished, and leaves after that.
            change = filled + 1 if filled == at else filled + length + 1
            if at < change < soonest:
                held = self._holds(filled)
                if any(held[metric] for metric in metrics):
                    soonest = change
        return soonest

    def next_work(self) -> int:
        """The next bucket at whose start there is something to bring forward; one that is far away if none is."""
        at = self._bucket
        self._drop_old()
        if len(self._filled) > MOST_FILLED:
            return at + 1
        ahead = [filled + length + 1 for filled in self._filled for length in (0, *_LENGTHS)]
        ahead += [(filled // SECOND + length) * SECOND for filled in self._filled for length in _SECONDS_AHEAD]
        return min((bucket for bucket in ahead if bucket > at), default=at + FAR)

    def _drop_old(self) -> None:
        """Forget buckets that no window holds any more."""
        while self._filled and self._filled[0] < self._bucket - LONGEST_KEPT:
            self._held.pop(self._filled.popleft(), None)

    def _holds(self, filled: int) -> list[bool]:
        """Which counts a bucket holds of any stream, or held before some were taken back."""
        held = self._held.get(filled)
        if held is None:
            held = _in_any_row(self._ring[:, filled % BUCKETS, : self._table.top])
            if filled < self._bucket:
                self._held[filled] = held
        return held

    def empty(self, bucket: int) -> None:
        """Forget all counts and go to this bucket; totals must have been folded."""
        self.run_out(bucket)
        self._added_bucket = bucket

    def run_out(self, bucket: int) -> None:
        """Leap to a bucket at which every window is empty, whatever is in them now; totals must have been folded."""
        top = self._table.top
        for filled in self._filled:
            self._ring[:, filled % BUCKETS, :top] = 0
        self._folded[:, :top] = 0
        self._gaps_us[:, :top] = 0
        self._uneven_us[:, :top] = 0
        for name, _, _ in COLUMNS:
            getattr(self._table, name)[:top] = 0
        self._filled.clear()
        self._held.clear()
        self._bucket = bucket

    def pass_over(self, buckets: int) -> None:
        """Leap over buckets that change no window: none comes in or leaves, or every window is empty."""
        self._bucket += buckets

    def longest_uneven_ns(self, row: int) -> int:
        """Longest uneven gap of the last 10 to 11 s, so of the whole window that counts them; 0 if there was none."""
        return int(self._uneven_us[:, row].max()) * 1000

    def gaps_of_this_second_us(self) -> NDArray[np.uint32]:
        """Longest gap of each stream in the second that is being filled, (capacity,)."""
        gaps: NDArray[np.uint32] = self._gaps_us[self.second]
        return gaps

    def _words(self) -> int:
        """Address of the description for compiled code."""
        if self._told is None or self._told.ring is not self._ring:
            counts = (self._ring, self._folded, self._unreported, self._gaps_us)
            self._told = WindowWords(self._table, counts, _SUMS, _TOTALS, _LENGTHS)
        return self._told.at(self._bucket, self._table.top)

    def fold(self) -> None:
        """Bring the totals up to what was added."""
        if self._compiled is not None:
            self._compiled.fold(self._words())
            return
        table, top = self._table, self._table.top
        new = self._ring[:, self.place, :top] - self._folded[:, :top]
        # One reduction for all counts: each costs as much as adding up a column of an ordinary house.
        counted = _in_any_row(new)
        if not any(counted):
            return
        for name, metrics in TOTALS:
            for metric in metrics:
                if counted[metric]:
                    column = getattr(table, name)[:top]
                    column += new[metric].astype(np.uint64)
        if counted[FRAMES]:
            self._unreported[:top] += new[FRAMES]
        self._folded[:, :top] = self._ring[:, self.place, :top]

    def unfolded_packets(self, rows: NDArray[np.intp]) -> NDArray[np.int64]:
        """Packets of these rows that the totals do not hold yet."""
        new = self._ring[[FRAMES, OTHERS], self.place][:, rows] - self._folded[[FRAMES, OTHERS]][:, rows]
        packets: NDArray[np.int64] = new.sum(0, dtype=np.int64)
        return packets

    def take_unreported(self, rows: NDArray[np.intp]) -> NDArray[np.int64]:
        """Frames of these rows that were folded since this was last asked."""
        frames = self._unreported[rows]
        self._unreported[rows] = 0
        return frames

    def fold_gaps(self) -> None:
        """Bring the longest gaps up to what was added, after turning."""
        if self._compiled is not None:
            self._compiled.fold_gaps(self._words())
            return
        top = self._table.top
        self._table.max_gap_10s_ns[:top] = self._gaps_us[:, :top].max(0, initial=0) * np.int64(1000)

    def turn(self) -> None:
        """Finish a bucket and begin the next; everything must have been folded."""
        if self._compiled is not None:
            self._compiled.turn(self._words())
            self._bucket += 1
        else:
            self._turn()
        if self._bucket % SECOND == 0:
            self._gaps_us[self.second] = 0
            self._uneven_us[self._uneven_second] = 0

    def _turn(self) -> None:
        table, top = self._table, self._table.top
        come = self._ring[:, self.place, :top]
        comes = _in_any_row(come)
        leaving = {length: self._ring[:, (self._bucket - length) % BUCKETS, :top] for length in _LENGTHS}
        leaves = {length: _in_any_row(counts) for length, counts in leaving.items()}
        for name, length, metrics in COLUMNS:
            for metric in metrics:
                if comes[metric] or leaves[length][metric]:
                    # A sum holds every bucket of its window, so none goes below zero.
                    column = getattr(table, name)[:top]
                    column += (come[metric] - leaving[length][metric]).astype(np.uint32)
        self._bucket += 1
        # The bucket that is filled next is the one that leaves the longest windows. What nothing was counted in stays
        # untouched: it needs no memory.
        for metric in range(METRICS):
            if leaves[BUCKETS - 1][metric]:
                self._ring[metric, self.place, :top] = 0
            if comes[metric]:
                self._folded[metric, :top] = 0

    def forget(self, row: int) -> None:
        """Clear a row that is used again."""
        self._ring[:, :, row] = 0
        self._folded[:, row] = 0
        self._unreported[row] = 0
        self._gaps_us[:, row] = 0
        self._uneven_us[:, row] = 0

    def sums(self, metrics: tuple[int, ...], buckets: int) -> NDArray[np.uint32]:
        """(top,) what was counted in the last finished buckets, at most 100 of them; kept ready for COLUMNS."""
        top = self._table.top
        name = _READY.get((buckets, metrics))
        if name is not None:
            ready: NDArray[np.uint32] = getattr(self._table, name)[:top]
            return ready
        numbers = np.arange(self._bucket - min(buckets, BUCKETS - 1), self._bucket) % BUCKETS
        found = np.zeros(top, np.int32)
        for metric in metrics:  # one by one: together, all buckets of them would be copied first
            found += self._ring[metric, numbers, :top].sum(0, dtype=np.int32)
        return found.view(np.uint32)

    def most(self, metrics: tuple[int, ...], buckets: int) -> int:
        """What all streams together have of these counts at most, in the last finished buckets and the one after."""
        longer = _READY_FOR_AT_LEAST.get(metrics, ())
        longest = next((length for length in longer if length >= buckets), buckets)
        return int(self.sums(metrics, longest).sum()) + self.unfinished(metrics)

    def hold_any(self, metric: int, buckets: int) -> bool:
        """Whether any stream has some of a count in the last finished buckets or in the one that is being filled."""
        finished, unfinished = self.sums((metric,), buckets), self.unfinished_of_each(metric)
        return bool(np.count_nonzero(finished) or np.count_nonzero(unfinished))

    def unfinished(self, metrics: tuple[int, ...]) -> int:
        """How much of these counts all streams have in the bucket that is being filled."""
        return sum(int(self.unfinished_of_each(metric).sum()) for metric in metrics)

    def unfinished_of_each(self, metric: int) -> NDArray[np.int16]:
        """(top,) how much of a count each stream has in the bucket that is being filled."""
        counts: NDArray[np.int16] = self._ring[metric, self.place, : self._table.top]
        return counts

    def first_ns(self, metric: int, row: int, buckets: int) -> int:
        """Start of the oldest of the last `buckets` finished buckets in which anything was counted; 0 if none."""
        numbers = np.arange(self._bucket - buckets, self._bucket)
        counted = np.flatnonzero(self._ring[metric, numbers % BUCKETS, row])
        return int(numbers[counted[0]]) * BUCKET_NS if len(counted) else 0

    def last_ns(self, metric: int, row: int, buckets: int) -> int:
        """End of the newest of the last `buckets` finished buckets in which anything was counted; 0 if none."""
        numbers = np.arange(self._bucket - buckets, self._bucket)
        counted = np.flatnonzero(self._ring[metric, numbers % BUCKETS, row])
        return int(numbers[counted[-1]] + 1) * BUCKET_NS if len(counted) else 0

    def is_in_one_moment(self, metric: int, row: int, buckets: int) -> bool:
        """Whether all that was counted in the last finished buckets is in one of them."""
        numbers = np.arange(self._bucket - min(buckets, BUCKETS - 1), self._bucket) % BUCKETS
        return int(np.count_nonzero(self._ring[metric, numbers, row])) == 1

    def seconds_of_both(self, one: int, other: int, row: int, buckets: int) -> int:
        """In how many whole seconds of the last finished buckets both of two kinds were counted."""
        seconds = min(buckets, BUCKETS - 1) // SECOND
        numbers = np.arange(self._bucket - seconds * SECOND, self._bucket) % BUCKETS
        counted = [self._ring[metric, numbers, row].reshape(seconds, SECOND).any(1) for metric in (one, other)]
        return int(np.count_nonzero(counted[0] & counted[1]))

    def unfolded_frames(self, row: int) -> int:
        """Frames of a row that are not counted in its universe yet."""
        return int(self._unreported[row]) + int(self._ring[FRAMES, self.place, row] - self._folded[FRAMES, row])

    def take_back(self, metric: int, row: int, count: int) -> int:
        """Take this many of one row back out of its newest buckets; returns how many they held."""
        return int(self.take_back_each(metric, np.array([row]), np.array([count]))[0])

    def take_back_each(self, metric: int, rows: NDArray[np.intp], counts: NDArray[np.int64]) -> NDArray[np.int64]:
        """Take this many of each row back out of its newest buckets; returns how many they held. Rows must differ."""
        held = np.zeros(len(rows), np.int64)
        newest_first = (self.place - np.arange(BUCKETS)) % BUCKETS
        columns = [(getattr(self._table, name), length) for name, length, metrics in COLUMNS if metric in metrics]
        for start in range(0, len(rows), ROWS_AT_ONCE):
            part = rows[start : start + ROWS_AT_ONCE]
            place = (metric, newest_first[:, None], part)
            counted = self._ring[place].astype(np.int64)
            newer = np.cumsum(counted, 0) - counted
            taken = np.clip(counts[start : start + ROWS_AT_ONCE] - newer, 0, counted)
            self._ring[place] -= taken.astype(np.int16)
            for column, length in columns:
                column[part] -= taken[1 : length + 1].sum(0).astype(np.uint32)
            held[start : start + ROWS_AT_ONCE] = taken.sum(0)
        return held


def _in_any_row(counts: NDArray[np.int16]) -> list[bool]:
    """Whether anything was counted, by metric; counts: (METRICS, rows)."""
    counted: list[bool] = np.logical_or.reduce(counts, axis=1).tolist()
    return counted
