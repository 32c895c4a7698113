"""Every stream's series of sequence numbers, moved on by a batch.

A series whose numbers go on as before is proved to by comparing neighbours, for the whole batch at once. Only
the others are taken packet by packet (`model.sequence`), so several packets of one stream in one batch are
judged exactly as if each came alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import windows
from slotwatch.model.segments import Rows, Segments
from slotwatch.model.sequence import Series, Verdict
from slotwatch.model.streams import Streams
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import OPTION_TERMINATED, Fields, Kind
from slotwatch.wire.universe import Protocol

COPY_NS = 10_000_000
"""The same packet again within this is a copy: a loop, a mirror of both directions, two interfaces joined."""
_FULL = np.uint64(0xFFFFFFFFFFFFFFFF)
_ONE = np.uint64(1)


class SeriesOfStreams:
    """The columns `sequence…`, `series_…`, `lost_…`, `discarded`, `late`, `repeated` of the stream table."""

    def __init__(self, streams: Streams) -> None:
        self.streams = streams

    def judge(
        self,
        batch: Batch,
        fields: Fields,
        at: Rows,
        stream: Rows,
        segments: Segments,
        t_ns: NDArray[np.int64],
        options: NDArray[np.uint8],
    ) -> NDArray[np.uint8]:
        """Give each row its `Verdict` and bring the series up to date."""
        table = self.streams
        starts, rows = segments.starts, segments.rows
        number = fields.sequence[at]
        before = np.empty_like(number)
        before[1:] = number[:-1]
        before[starts] = table.sequence[rows]
        step = number - before
        artnet = table.protocol[stream] == Protocol.ARTNET
        if artnet.any():
            # 255 goes on to 1: the step of 2 over the wrap is one; a 0 is no number at all.
            step = np.where(artnet & (number < before), step - np.uint8(1), step)
            step = np.where(artnet & (number == 0), np.uint8(0), step)
        unused = table.sequence_unused[stream]
        regular = np.where(unused, number == 0, step == table.series_step[stream])
        regular &= table.steady[stream]
        regular &= (options & OPTION_TERMINATED) == 0
        regular[starts] &= t_ns[starts] - table.last_packet_ns[rows] <= table.timeout_ns[rows]
        verdict = np.zeros(len(at), np.uint8)
        if regular.all():
            self._go_on(segments, number)
            return verdict
        whole = np.logical_and.reduceat(regular, starts)
        for index in np.flatnonzero(~whole).tolist():
            part = slice(int(starts[index]), int(segments.lasts[index]) + 1)
            self._judge_one(batch, fields, at[part], int(rows[index]), t_ns[part], options[part], verdict[part])
        if whole.any():
            steady = np.flatnonzero(np.repeat(whole, segments.counts))
            self._go_on(Segments(stream[steady]), number[steady])
        discarded = (verdict == Verdict.LATE) | (verdict == Verdict.REPEAT)
        if discarded.any():
            counts = segments.sums(discarded)
            hit = np.flatnonzero(counts)
            table.discarded[rows[hit]] += counts[hit].astype(np.uint64)
            table.windows.add(windows.DISCARDED, rows[hit], counts[hit])
        return verdict

    def _go_on(self, segments: Segments, number: NDArray[np.uint8]) -> None:
        """Move steady series on: every number of them came."""
        table, rows = self.streams, segments.rows
        table.sequence[rows] = table.series_seen[rows] = number[segments.lasts]
        counts = np.minimum(segments.counts, 63).astype(np.uint64)
        mask = table.series_mask[rows]
        gaps = mask != _FULL
        if gaps.any():
            mask = mask << counts | ((_ONE << counts) - _ONE)
            table.series_mask[rows] = mask
            table.lost_of_last_10[rows] = 10 - np.bitwise_count(mask & np.uint64(0x3FF))
        table.series_votes[rows] = np.minimum(table.series_votes[rows] + counts.astype(np.uint8), 64)
        table.series_packets[rows] += segments.counts.astype(np.uint64)

    def _judge_one(
        self,
        batch: Batch,
        fields: Fields,
        at: Rows,
        row: int,
        t_ns: NDArray[np.int64],
        options: NDArray[np.uint8],
        verdict: NDArray[np.uint8],
    ) -> None:
        """Take one stream's packets one by one: about 3 µs each."""
        table = self.streams
        series = self._series(row)
        is_e131 = table.protocol[row] == Protocol.E131
        last_ns = int(table.last_packet_ns[row])
        timeout_ns = int(table.timeout_ns[row])
        accepted_ns, accepted_levels = int(table.last_accepted_ns[row]), bool(table.last_accepted_levels[row])
        accepted_at = -1
        late = repeated = copies = 0
        numbers, kinds = fields.sequence[at].tolist(), fields.kind[at].tolist()
        for place, (index, time, number, bits, kind) in enumerate(
            zip(at.tolist(), t_ns.tolist(), numbers, options.tolist(), kinds, strict=True)
        ):
            if time - last_ns > timeout_ns:
                series.forget()
            last_ns = time
            is_copy = (
                series.known
                and number == series.accepted != 0
                and time - accepted_ns <= COPY_NS
                and accepted_levels == (kind == Kind.LEVELS)
                and self._same_octets(batch, fields, index, accepted_at, row)
            )
            answer = series.take(number, is_copy)
            verdict[place] = answer
            if answer in (Verdict.ACCEPT, Verdict.REPEAT_OBEYED):
                accepted_ns, accepted_levels, accepted_at = time, kind == Kind.LEVELS, index
                if bits & OPTION_TERMINATED and is_e131:
                    series.forget()
            late += answer == Verdict.LATE
            copies += answer == Verdict.COPY
            repeated += answer in (Verdict.REPEAT, Verdict.REPEAT_OBEYED, Verdict.COPY)
        table.last_accepted_ns[row], table.last_accepted_levels[row] = accepted_ns, accepted_levels
        table.late[row] += late
        table.repeated[row] += repeated
        if copies:
            table.windows.add(windows.COPIES, np.array([row]), np.array([copies]))
        self._keep_series(row, series)

    def _same_octets(self, batch: Batch, fields: Fields, index: int, other: int, row: int) -> bool:
        """Whether a packet's slots are those of the last accepted one, in this batch or in the table."""
        first, slots = int(fields.first_slot[index]), int(fields.slots[index])
        mine = batch.data[index, first : first + slots]
        if other >= 0:
            if fields.slots[other] != slots:
                return False
            start = int(fields.first_slot[other])
            theirs = batch.data[other, start : start + slots]
        else:
            theirs = (self.streams.levels if fields.kind[index] == Kind.LEVELS else self.streams.slot_priorities)[row]
            theirs = theirs[:slots]
        return mine.tobytes() == theirs.tobytes()

    def _series(self, row: int) -> Series:
        table = self.streams
        return Series(
            skips_zero=table.protocol[row] != Protocol.E131,
            known=bool(table.series_known[row]),
            accepted=int(table.sequence[row]),
            seen=int(table.series_seen[row]),
            mask=int(table.series_mask[row]),
            step=int(table.series_step[row]),
            votes=int(table.series_votes[row]),
            run=int(table.series_run[row]),
            pending=int(table.series_pending[row]),
            packets=int(table.series_packets[row]),
        )

    def _keep_series(self, row: int, series: Series) -> None:
        table = self.streams
        table.series_known[row], table.sequence[row] = series.known, series.accepted
        table.series_seen[row], table.series_mask[row] = series.seen, series.mask
        table.series_step[row], table.series_votes[row] = series.step, series.votes
        table.series_run[row], table.series_pending[row] = series.run, series.pending
        table.series_packets[row] = series.packets
        unused = series.skips_zero and series.known and series.accepted == 0 and series.seen == 0
        table.sequence_unused[row] = unused
        table.steady[row] = unused or series.is_steady
        table.sequence_stuck[row], table.sequence_step[row] = series.is_stuck, series.common_step
        was_measurable = bool(table.sequence_measurable[row])
        table.sequence_measurable[row] = series.is_measurable
        table.lost_of_last_10[row] = 10 - (series.mask & 0x3FF).bit_count() if series.is_measurable else 0
        if was_measurable and not series.is_measurable:
            # What looked missing before the habit was plain was no loss.
            table.lost_frames[row] -= np.uint64(table.windows.withdraw(windows.LOST, row))
        elif series.lost > 0:
            table.lost_frames[row] += np.uint64(series.lost)
            table.windows.add(windows.LOST, np.array([row]), np.array([min(series.lost, 10_000)]))
        elif series.lost < 0:
            back = min(-series.lost, int(table.lost_frames[row]))
            table.lost_frames[row] -= np.uint64(back)
            table.windows.take_back(windows.LOST, row, back)
