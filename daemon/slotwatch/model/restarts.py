"""Jumps of sequence numbers over a silence: frames that were lost on the way, or a source that was restarted. A
restarted source continues with any number. What looks missing then was never sent. No more frames can be missing than
fit into the silence at the stream's rate; one jump that does not fit proves the restart, for all streams of the source
that jumped over the same silence.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import windows
from slotwatch.model.sequence import AMBIGUOUS, FULL_MASK
from slotwatch.model.streams import Streams
from slotwatch.wire.universe import Protocol

JUMP_NS = 300_000_000
"""A shorter silence is not a restart: no sender starts in less time; common practice, no source."""
KEPT_NS = 5_000_000_000
"""Twice the loss timeout of ANSI E1.31-2018 6.7.1: streams of one source come back within less."""
MOST_KEPT = 8192
FASTEST_NS = 22_675_737
"""Period of full DMX512 packets at their highest rate, 44.1 Hz (ANSI E1.11), for a stream whose rate is not known."""
RATE_KNOWN_NS = 200_000_000
"""A longer median interval is that of keep-alive, not of moving levels."""
MORE, FEWER, SPARE = 1.15, 0.85, 3
"""Share of the frames that fit at the known rate, and a few frames, that a loss may be off by (our choice)."""
FEWER_ON_BOTH = 0.95
"""The same where two networks miss the very same frames: two paths do not lose the same frames, unless they lose
all."""
REST_NS = 800_000_000
"""Shortest interval of a sender at rest (ANSI E1.31-2018 6.6.2)."""
REST_EQUAL_FRAMES = 3
"""Of a stream that was heard for fewer frames than these, all of them."""
Rows = NDArray[np.intp]
Times = NDArray[np.int64]


class Restarts:
    """Takes back what looked missing over a restart. Columns of one row for each jump, of length J."""

    def __init__(self, streams: Streams) -> None:
        self.streams = streams
        self._noted: list[NDArray[np.int64]] = []
        self._kept: NDArray[np.int64] = np.zeros((0, 8), np.int64)
        """Stream, its generation, when, silence before (ns), missing numbers (-1: the count went back), taken back,
        whether it was at rest, whether it came back in the very look in which it rested."""

    def note(self, rows: Rows, t_ns: Times, silent_ns: Times, step: NDArray[np.uint8]) -> None:
        """Note jumps. step: from the number before the silence, as a byte."""
        missing = np.where(step < AMBIGUOUS, step.astype(np.int64) - 1, -1)
        table, zeros = self.streams, np.zeros(len(rows), np.int64)
        generation = table.generation[rows].astype(np.int64)
        most = np.clip(table.frames[rows].astype(np.int64) - 1, 1, REST_EQUAL_FRAMES)
        rested = (table.equal_frames[rows] >= most) & (table.protocol[rows] == Protocol.E131)
        rested &= (table.prev_frame_ns[rows] > 0) & (table.last_frame_ns[rows] - table.prev_frame_ns[rows] > JUMP_NS)
        self._noted.append(np.stack([rows, generation, t_ns, silent_ns, missing, zeros, rested, zeros], 1))

    def settle(self, now_ns: int) -> None:
        """Decide between losses and restarts, by the jumps noted so far."""
        if not self._noted:
            return
        fresh = np.concatenate(self._noted)[:MOST_KEPT]
        self._noted.clear()
        fresh[:, 7] = (fresh[:, 6] > 0) & (self.streams.last_change_ns[fresh[:, 0]] < fresh[:, 2] - fresh[:, 3])
        kept = self._kept[self._kept[:, 2] >= now_ns - KEPT_NS]
        kept = kept[self.streams.generation[kept[:, 0]] == kept[:, 1]]
        jumps = np.concatenate([kept, fresh])[-MOST_KEPT:]
        proven, doubtful = self._judge(jumps)
        if proven.any():
            doubtful |= self._of_one_restart(jumps, proven)
        due = np.flatnonzero(doubtful & (jumps[:, 5] == 0) & (jumps[:, 4] > 0))
        jumps[due, 5] = 1
        while len(due):  # more than once only for streams that jumped twice
            _, first = np.unique(jumps[due, 0], return_index=True)
            self._take_back(jumps[due[first], 0], jumps[due[first], 4])
            due = np.delete(due, first)
        self._kept = jumps

    def _judge(self, jumps: NDArray[np.int64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """(J,) what cannot be a loss, and what is none of this stream or far less than its silence held."""
        table, rows = self.streams, jumps[:, 0]
        silent_ns, missing = jumps[:, 3], jumps[:, 4]
        median_ns = table.median_interval_ns[rows]
        known = (median_ns > 0) & (median_ns <= RATE_KNOWN_NS)
        best_hz = table.best_moving_hz[rows]
        best_ns = np.where(best_hz > 0, 1e9 / np.maximum(best_hz, 0.01), FASTEST_NS)
        fits = silent_ns / np.where(known, np.minimum(median_ns, best_ns), best_ns)
        rested = (jumps[:, 6] > 0) & (missing > SPARE + silent_ns / REST_NS)
        # A show has no cue that begins and ends within the silence and leaves the look as it was.
        proven = (missing < 0) | (missing > MORE * fits + SPARE) | (rested & (jumps[:, 7] > 0))
        due = silent_ns / np.where(known, median_ns, silent_ns)
        fewer = np.where(self._on_several_networks(jumps), FEWER_ON_BOTH, FEWER)
        doubtful = known & (missing > SPARE) & (missing < fewer * due - SPARE)
        # A sender of one frame a second missed few: it is less likely that a cue began just in that silence.
        doubtful |= rested
        return proven, proven | doubtful

    def _on_several_networks(self, jumps: NDArray[np.int64]) -> NDArray[np.bool_]:
        """(J,) jumps that the same universe makes by the same number on another network over the same silence."""
        found = np.zeros(len(jumps), np.bool_)
        networks = self.streams.network[jumps[:, 0]]
        if len(np.unique(networks)) < 2:
            return found
        numbers = self.streams.number[jumps[:, 0]].astype(np.int64) * 4 + self.streams.protocol[jumps[:, 0]]
        places: dict[tuple[int, int], list[int]] = {}
        for place in np.flatnonzero(jumps[:, 4] > 0).tolist():
            places.setdefault((int(numbers[place]), int(jumps[place, 4])), []).append(place)
        for alike in places.values():
            if len(set(networks[alike].tolist())) > 1:
                end_ns = jumps[alike, 2]
                overlap = (end_ns - jumps[alike, 3]).max() < end_ns.min()
                found[alike] = overlap
        return found

    def _of_one_restart(self, jumps: NDArray[np.int64], proven: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(J,) jumps over a silence that overlaps a proven one of the same source."""
        source = self.streams.source[jumps[:, 0]]
        end_ns = jumps[:, 2]
        start_ns = end_ns - jumps[:, 3]
        found = proven.copy()
        for one in np.unique(source[proven]).tolist():
            mine = np.flatnonzero(source == one)
            sure = mine[proven[mine]]
            sure = sure[np.argsort(start_ns[sure], kind="stable")]
            # Of those that begin before a silence ends, the one that ends last overlaps it, or none does.
            before = np.searchsorted(start_ns[sure], end_ns[mine], side="left")
            latest_ns = np.maximum.accumulate(end_ns[sure])
            found[mine] |= (before > 0) & (latest_ns[before - 1] > start_ns[mine])
        return found

    def _take_back(self, rows: Rows, missing: NDArray[np.int64]) -> None:
        """Rows must differ."""
        table = self.streams
        # Of a stream that has just begun they are not counted yet: its step is not known.
        held = np.clip(table.series_pending[rows], 0, missing)
        table.series_pending[rows] -= held.astype(table.series_pending.dtype)
        back = table.windows.take_back_each(windows.LOST, rows, missing - held).astype(np.uint64)
        table.lost_frames[rows] -= np.minimum(back, table.lost_frames[rows])
        table.series_mask[rows] = np.uint64(FULL_MASK)
        table.lost_of_last_10[rows] = 0
