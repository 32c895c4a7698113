"""Accepted live frames of a batch: their levels, their intervals, their streams' windows.

Rows are sorted by stream, in order of arrival within it, so what depends on the frame before is a comparison
of neighbours, with the stream table as the neighbour of each stream's first row.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import cadence, levels, minute_intervals, pauses, resizing, windows
from slotwatch.model.counters import PacketCounters
from slotwatch.model.lighttap import FrameLevels, LightTap
from slotwatch.model.part import Part
from slotwatch.model.segments import Segments
from slotwatch.model.streams import Streams
from slotwatch.wire.batch import Batch
from slotwatch.wire.universe import SLOTS

SLOTS_AT = 126
_HOUR_US = 3_600_000_000
_MOST_EQUAL = np.uint16(0xFFFF)


class Frames:
    """Moves streams on by the frames of a batch."""

    def __init__(self, streams: Streams, counters: PacketCounters) -> None:
        self.streams = streams
        self.counters = counters
        self.tap: LightTap | None = None
        """Wants every frame's levels of a few slots."""

    def take(self, part: Part, fresh: NDArray[np.bool_] | None) -> bool:
        """Take accepted live frames. fresh: those with which a life began. Returns whether any stream's number
        of slots changed."""
        table, segments, fields = self.streams, part.segments, part.fields
        rows, t_ns = segments.rows, part.t_ns
        slots = fields.slots[part.at]
        now = levels.gather(part.batch.data, part.at, fields.first_slot[part.at], slots)
        kept = table.levels.take(rows, axis=0, mode="clip")
        before = segments.before(now, kept)
        words = levels.differing_words(now, before)
        changed = levels.any_word(words)
        kept_slots = table.slots[rows]
        last_slots = segments.last(slots)
        resized = bool(np.count_nonzero(kept_slots != last_slots))
        last_frame_ns = table.last_frame_ns[rows]
        if resized or not segments.single:
            slots_before = segments.before(slots, kept_slots)
            resizes = slots != slots_before
            changed |= resizes
            if np.count_nonzero(resizes):
                is_new = segments.before(t_ns, last_frame_ns) == 0
                resizing.count_turns(table, part.stream, t_ns, slots, slots_before, is_new)
        new = None
        if not last_frame_ns.all():
            # A stream's very first frame has nothing to differ from.
            new = (last_frame_ns == 0).nonzero()[0]
            first = segments.starts[new]
            changed[first] = False
            table.first_frame_ns[rows[new]] = table.last_change_ns[rows[new]] = t_ns[first]
        since = segments.before(t_ns, last_frame_ns)
        equal_before = self._count_equal(segments, changed, new)
        self._take_cadence(part, since, fresh, changed, equal_before)
        self._take_changes(part, now, before, changed, words)
        if self.tap is not None:
            self.tap.take(table, part.stream, t_ns, FrameLevels(now))
        table.levels[rows] = segments.last(now)
        if resized:
            table.slots[rows] = last_slots
        sync_address = fields.sync_address[segments.last(part.at)]
        if np.count_nonzero(table.sync_address[rows] != sync_address):
            table.sync_address[rows] = sync_address
        table.prev_frame_ns[rows] = segments.last(since)
        table.last_frame_ns[rows] = segments.last(t_ns)
        table.windows.add(windows.FRAMES, rows, segments.small_counts)
        return resized

    def _take_cadence(
        self,
        part: Part,
        since: NDArray[np.int64],
        fresh: NDArray[np.bool_] | None,
        changed: NDArray[np.bool_],
        equal_before: NDArray[np.uint16],
    ) -> None:
        """Keep intervals between frames of one life. since: the frame before each, 0 for none."""
        table, segments, stream = self.streams, part.segments, part.stream
        gaps_us = (part.t_ns - since + 500) // 1000
        counted = since > 0
        if fresh is not None:
            counted &= ~fresh
        if not counted.all():
            keep = counted.nonzero()[0]
            if not len(keep):
                return
            stream, gaps_us = stream[keep], gaps_us[keep]
            changed, equal_before = changed[keep], equal_before[keep]
            segments = Segments(stream)
        # Stamps of two cards may cross by microseconds; over an hour is an hour.
        kept_us = np.minimum(np.maximum(gaps_us, 0), _HOUR_US).astype(np.uint32)
        cadence.keep_intervals(table, stream, segments, kept_us)
        self.counters.take_intervals(table.protocol, stream, kept_us)
        longest = kept_us if segments.single else np.maximum.reduceat(kept_us, segments.starts)
        table.windows.add_gap(segments.rows, longest)
        if np.count_nonzero(longest > cadence.UNEVEN_FLOOR_US):
            self._take_long(segments, stream, kept_us, changed, equal_before)

    def take_gaps(self, gaps: NDArray[np.int64]) -> None:
        """Take long gaps before frames that were taken already, as `Taken.gaps` holds them."""
        if len(gaps):
            ordered = gaps[np.argsort(gaps[:, 0], kind="stable")] if len(gaps) > 1 else gaps
            stream, gap_us, equal_before, changed = ordered.T
            kept_us, is_change = gap_us.astype(np.uint32), changed.astype(np.bool_)
            self._take_long(Segments(stream), stream, kept_us, is_change, equal_before.astype(np.uint16))

    def _take_long(
        self,
        segments: Segments,
        stream: NDArray[np.intp],
        kept_us: NDArray[np.uint32],
        changed: NDArray[np.bool_],
        equal_before: NDArray[np.uint16],
    ) -> None:
        """Distinguish idle times from gaps."""
        table = self.streams
        minute_intervals.note_long(table, stream, kept_us, equal_before)
        if not np.count_nonzero(changed):
            return  # at rest: no gap before a frame that repeats the last one is uneven
        medians_us = table.median_interval_ns[stream] // 1000
        uneven = cadence.uneven_gaps(kept_us, medians_us, changed, equal_before)
        if np.count_nonzero(uneven):
            table.windows.add(windows.UNEVEN, segments.rows, segments.sums(uneven))
            which = uneven.nonzero()[0]
            of_uneven = Segments(stream[which])
            widest_us = kept_us[which]
            if not of_uneven.single:
                widest_us = np.maximum.reduceat(widest_us, of_uneven.starts)
            table.windows.add_uneven(of_uneven.rows, widest_us)
            pauses.count_pauses(table, of_uneven.rows, widest_us, table.windows.filling_ns)

    def _count_equal(
        self, segments: Segments, changed: NDArray[np.bool_], new: NDArray[np.intp] | None
    ) -> NDArray[np.uint16]:
        """Count frames equal to their predecessor; returns the count right before each frame."""
        table, rows = self.streams, segments.rows
        start = table.equal_frames[rows]
        breaks = changed
        if new is not None:
            breaks = changed.copy()
            breaks[segments.starts[new]] = True
        if segments.single:
            after = start + (start < _MOST_EQUAL)
            after[breaks] = 0
            table.equal_frames[rows] = after
            return start
        index = np.arange(len(changed))
        latest = np.maximum.accumulate(np.where(breaks, index, -1))
        began = np.repeat(segments.starts, segments.counts)
        carried = np.repeat(start.astype(np.int64), segments.counts)
        runs = np.where(latest >= began, index - latest, index - began + 1 + carried)
        counted = np.minimum(runs, _MOST_EQUAL).astype(np.uint16)
        table.equal_frames[rows] = counted[segments.lasts]
        return segments.before(counted, start)

    def _take_changes(
        self,
        part: Part,
        now: levels.Levels,
        before: levels.Levels,
        changed: NDArray[np.bool_],
        words: NDArray[np.bool_],
    ) -> None:
        table, segments = self.streams, part.segments
        steps = np.zeros(len(changed), np.uint8)
        if changed.all():
            steps = levels.largest_steps(now, before, words)
            self._note_changes(segments, part.t_ns, now, steps)
        elif changed.any():
            which = changed.nonzero()[0]
            moved = now[which]
            steps[which] = levels.largest_steps(moved, before[which], words[which])
            self._note_changes(Segments(part.stream[which]), part.t_ns[which], moved, steps[which])
        table.max_step[segments.rows] = segments.last(steps)

    def _note_changes(
        self, segments: Segments, t_ns: NDArray[np.int64], moved: levels.Levels, steps: NDArray[np.uint8]
    ) -> None:
        table, rows = self.streams, segments.rows
        levels.remember(table, segments, moved, t_ns)
        table.last_change_ns[rows] = segments.last(t_ns)
        stepped = steps >= levels.STEP
        if stepped.all():
            table.windows.add(windows.STEPS, rows, segments.small_counts)
            return
        counts = segments.sums(stepped)
        table.windows.add(windows.STEPS, rows, counts)
        table.windows.add(windows.SMALL_CHANGES, rows, segments.small_counts - counts)

    def show(self, batch: Batch, at: NDArray[np.intp], stream: NDArray[np.intp]) -> None:
        """Show the tap frames that were taken already, in order of arrival."""
        if self.tap is not None and len(at):
            slots, sent = batch.data[:, SLOTS_AT : SLOTS_AT + SLOTS], self.streams.slots[stream]
            is_whole = int(sent.min()) == SLOTS
            self.tap.take(self.streams, stream, batch.t_ns[at], FrameLevels(slots, at, None if is_whole else sent))

    def take_slot_priorities(self, part: Part) -> None:
        """Take accepted live packets of start code 0xDD."""
        table, rows, fields = self.streams, part.segments.rows, part.fields
        at = part.segments.last(part.at)
        slots = fields.slots[at]
        table.slot_priorities[rows] = levels.gather(part.batch.data, at, fields.first_slot[at], slots)
        table.slot_priority_slots[rows] = slots
        table.last_slot_priority_ns[rows] = part.segments.last(part.t_ns)
