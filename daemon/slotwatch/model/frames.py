"""Accepted live frames of a batch: their levels, their intervals, their streams' windows and universes.

Rows are sorted by stream, in order of arrival within it, so what depends on the frame before is a comparison
of neighbours, with the stream table as the neighbour of each stream's first row.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import cadence, levels, windows
from slotwatch.model.counters import Counters
from slotwatch.model.segments import Rows, Segments
from slotwatch.model.streams import Streams
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields


class Frames:
    """Moves streams and universes on by the frames of a batch."""

    def __init__(self, streams: Streams, counters: Counters) -> None:
        self.streams, self.universes = streams, streams.universes
        self.counters = counters

    def take(
        self,
        batch: Batch,
        fields: Fields,
        at: Rows,
        stream: Rows,
        segments: Segments,
        t_ns: NDArray[np.int64],
        fresh: NDArray[np.bool_],
    ) -> bool:
        """Take accepted live frames. Returns whether any stream's number of slots changed."""
        table, rows = self.streams, segments.rows
        first, last = segments.starts, segments.lasts
        slots = fields.slots[at]
        now = levels.gather(batch.data, at, fields.first_slot[at], slots)
        before = table.levels[rows] if segments.single else self._before(now, segments)
        slots_before = np.empty_like(slots)
        slots_before[1:] = slots[:-1]
        slots_before[first] = table.slots[rows]
        changed = levels.differing(now, before) | (slots != slots_before)
        new = table.frames[rows] == 0
        # A stream's very first frame has nothing to differ from.
        changed[first[new]] = False
        self._take_cadence(stream, segments, t_ns, fresh, changed, new)
        self._take_changes(stream, segments, t_ns, now, before, changed, new)
        self._sum_universes(stream, segments, t_ns)
        resized = bool((table.slots[rows] != slots[last]).any())
        table.levels[rows] = now if segments.single else now[last]
        table.slots[rows] = slots[last]
        table.sync_address[rows] = fields.sync_address[at[last]]
        many = segments.counts > 1
        previous = table.last_frame_ns[rows]
        if many.any():
            previous = np.where(many, t_ns[np.maximum(last - 1, 0)], previous)
        table.prev_frame_ns[rows] = previous
        table.last_frame_ns[rows] = table.chain_ns[rows] = t_ns[last]
        table.first_frame_ns[rows[new]] = t_ns[first[new]]
        table.frames[rows] += segments.counts.astype(np.uint64)
        table.windows.add(windows.FRAMES, rows, segments.counts)
        return resized

    def _before(self, now: levels.Levels, segments: Segments) -> levels.Levels:
        before = np.empty_like(now)
        before[1:] = now[:-1]
        before[segments.starts] = self.streams.levels[segments.rows]
        return before

    def _take_cadence(
        self,
        stream: Rows,
        segments: Segments,
        t_ns: NDArray[np.int64],
        fresh: NDArray[np.bool_],
        changed: NDArray[np.bool_],
        new: NDArray[np.bool_],
    ) -> None:
        table, rows = self.streams, segments.rows
        first = segments.starts
        since = np.empty_like(t_ns)
        since[1:] = t_ns[:-1]
        since[first] = table.chain_ns[rows]
        counted = ~fresh
        counted &= since > 0
        gaps = np.maximum(t_ns - since, 0)
        equal_before = self._count_equal(segments, changed, new)
        if not counted.all():
            keep = np.flatnonzero(counted)
            if not len(keep):
                return
            stream, gaps = stream[keep], gaps[keep]
            changed, equal_before = changed[keep], equal_before[keep]
            segments = Segments(stream)
            rows = segments.rows
        cadence.keep_intervals(table, stream, segments.places(), gaps)
        table.interval_count[rows] += segments.counts.astype(np.uint64)
        self.counters.take_intervals(table.protocol[stream], gaps)
        longest = gaps if segments.single else np.maximum.reduceat(gaps, segments.starts)
        table.windows.add_gap(rows, longest)
        if (longest > cadence.UNEVEN_FLOOR_NS).any():
            uneven = cadence.uneven_gaps(gaps, table.median_interval_ns[stream], changed, equal_before)
            if uneven.any():
                table.windows.add(windows.UNEVEN, rows, segments.sums(uneven))

    def _count_equal(self, segments: Segments, changed: NDArray[np.bool_], new: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Count frames equal to their predecessor; returns the count right before each frame."""
        table, rows = self.streams, segments.rows
        start = table.equal_frames[rows].astype(np.int64)
        if segments.single:
            table.equal_frames[rows] = np.where(changed | new, 0, np.minimum(start + 1, 0xFFFF))
            return start
        index = np.arange(len(changed))
        breaks = changed.copy()
        breaks[segments.starts[new]] = True
        latest = np.maximum.accumulate(np.where(breaks, index, -1))
        began = np.repeat(segments.starts, segments.counts)
        after = np.where(latest >= began, index - latest, index - began + 1 + np.repeat(start, segments.counts))
        table.equal_frames[rows] = np.minimum(after[segments.lasts], 0xFFFF)
        before = np.empty_like(after)
        before[1:] = after[:-1]
        before[segments.starts] = start
        return before

    def _take_changes(
        self,
        stream: Rows,
        segments: Segments,
        t_ns: NDArray[np.int64],
        now: levels.Levels,
        before: levels.Levels,
        changed: NDArray[np.bool_],
        new: NDArray[np.bool_],
    ) -> None:
        table = self.streams
        steps = np.zeros(len(stream), np.uint8)
        table.last_change_ns[segments.rows[new]] = t_ns[segments.starts[new]]
        if changed.any():
            which = np.flatnonzero(changed)
            moved = now[which]
            steps[which] = levels.largest_steps(moved, before[which])
            parts = Segments(stream[which])
            levels.remember(table, stream[which], parts.places(), moved, t_ns[which])
            table.history_count[parts.rows] += parts.counts.astype(np.uint64)
            table.changes[parts.rows] += parts.counts.astype(np.uint64)
            latest = t_ns[which][parts.lasts]
            table.last_change_ns[parts.rows] = latest
            np.maximum.at(self.universes.last_change_ns, table.universe[parts.rows], latest)
            table.windows.add(windows.CHANGED, parts.rows, parts.counts)
            table.windows.add(windows.STEPPED, parts.rows, parts.sums(steps[which] >= levels.STEP))
        table.max_step[segments.rows] = steps[segments.lasts]

    def _sum_universes(self, stream: Rows, segments: Segments, t_ns: NDArray[np.int64]) -> None:
        universes, table = self.universes, self.streams
        of_rows = table.universe[segments.rows]
        if len(of_rows) > 1 and len(np.unique(of_rows)) != len(of_rows):
            # Several streams of one universe: its gaps run across all of them, in order of arrival.
            universe = table.universe[stream]
            order = np.lexsort((t_ns, universe))
            segments = Segments(universe[order].astype(np.intp))
            t_ns = t_ns[order]
            of_rows = segments.rows.astype(np.int32)
        first_ns, last_ns = t_ns[segments.starts], t_ns[segments.lasts]
        since = universes.gap_from_ns[of_rows]
        gap = np.where(since > 0, first_ns - since, 0)
        if not segments.single:
            inside = np.diff(t_ns, prepend=t_ns[0])
            inside[segments.starts] = 0
            gap = np.maximum(gap, np.maximum.reduceat(inside, segments.starts))
        universes.minute_gap_ns[of_rows] = np.maximum(universes.minute_gap_ns[of_rows], gap)
        universes.gap_from_ns[of_rows] = last_ns
        silent = universes.first_frame_ns[of_rows] == 0
        universes.first_frame_ns[of_rows[silent]] = first_ns[silent]
        universes.last_change_ns[of_rows[silent]] = np.maximum(
            universes.last_change_ns[of_rows[silent]], first_ns[silent]
        )
        universes.last_frame_ns[of_rows] = np.maximum(universes.last_frame_ns[of_rows], last_ns)
        universes.frames[of_rows] += segments.counts.astype(np.uint64)

    def take_slot_priorities(
        self, batch: Batch, fields: Fields, at: Rows, stream: Rows, t_ns: NDArray[np.int64]
    ) -> None:
        table = self.streams
        segments = Segments(stream)
        last = segments.lasts
        slots = fields.slots[at[last]]
        table.slot_priorities[segments.rows] = levels.gather(batch.data, at[last], fields.first_slot[at[last]], slots)
        table.slot_priority_slots[segments.rows] = slots
        table.last_slot_priority_ns[segments.rows] = t_ns[last]
