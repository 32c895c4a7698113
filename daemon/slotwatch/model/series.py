"""Every stream's series of sequence numbers, moved on by a batch. A comparison of neighbours, for the whole batch at
once, finds the series whose numbers continue as before. Only the others are taken packet by packet (`model.sequence`),
so several packets of one stream in one batch are judged exactly as if each came alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import strides, windows
from slotwatch.model.interleaving import Interleaving
from slotwatch.model.part import LEVELS, SLOT_PRIORITY, Part
from slotwatch.model.restarts import JUMP_NS, Restarts
from slotwatch.model.segments import Segments
from slotwatch.model.sequence import MAX_VOTES, SequenceVerdict, Series
from slotwatch.model.streams import EVERY_STEP, Streams
from slotwatch.wire.fields import OPTION_PREVIEW, OPTION_TERMINATED
from slotwatch.wire.universe import Protocol

NO_STEP = np.uint8(254)
"""No steady series has this step."""
_NOT_LIVE = OPTION_PREVIEW | OPTION_TERMINATED
_E131 = int(Protocol.E131)
_ACCEPT, _LATE, _REPEAT, _COPY, _OBEYED, _UNFIT = (int(each) for each in SequenceVerdict)
FITTING = 20
"""A last packet's number may be this many after the newest that came, or three steps of the series: some may be lost.
The window of E1.31 6.7.2."""
_FULL = np.uint64(0xFFFFFFFFFFFFFFFF)
_ONE = np.uint64(1)
_CAME = np.array([sum(1 << bit for bit in range(0, 64, step or 64)) for step in range(256)], np.uint64)
"""By step: the mask of a series that continued by it for 64 numbers."""


class SeriesOfStreams:
    """The columns `sequence…`, `series_…`, `lost_…`, `discarded`, `late`, `repeated` of the stream table."""

    def __init__(self, streams: Streams) -> None:
        self.streams = streams
        self.restarts = Restarts(streams)
        self.interleaving = Interleaving(streams)

    def judge(self, part: Part) -> NDArray[np.uint8] | None:
        """Give each row its `Verdict` and bring the series up to date. None: all are accepted."""
        table, segments = self.streams, part.segments
        rows = segments.rows
        number = part.fields.sequence[part.at]
        step = self._steps(part, number)
        ended = (part.options & OPTION_TERMINATED) != 0
        regular = step == table.expected_step[part.stream]
        regular &= ~ended
        late = segments.first(part.t_ns) - table.last_packet_ns[rows] > table.timeout_ns[rows]
        if np.count_nonzero(late):
            regular[segments.starts[late]] = False
        elif regular.all():
            self._continue(segments, number)
            return None
        if np.count_nonzero(late):
            self._note_returns(part, step, late)
        verdict = self._judge_some(part, number, step, regular, ended, late | ~table.series_known[rows])
        if not np.count_nonzero(verdict):
            return None
        discarded = (verdict == _LATE) | (verdict == _REPEAT)
        if np.count_nonzero(discarded):
            counts = segments.sums(discarded)
            hit = counts.nonzero()[0]
            table.discarded[rows[hit]] += counts[hit].astype(np.uint64)
            table.windows.add(windows.DISCARDED, rows[hit], counts[hit])
        return verdict

    def _steps(self, part: Part, number: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Step from the number before, in the protocol's own count; NO_STEP where there is none."""
        before = part.segments.before(number, self.streams.sequence[part.segments.rows])
        step: NDArray[np.uint8] = number - before
        protocol = part.batch.protocol
        if protocol[0] == _E131 and (protocol == _E131).all():
            return step
        others = self.streams.protocol[part.stream] != _E131
        # 255 continues with 1: the step of 2 over the wrap counts as 1. A series may stay at 0, but there is no step
        # from or to it.
        step[others & (number < before)] -= np.uint8(1)
        step[others & (number != before) & ((number == 0) | (before == 0))] = NO_STEP
        return step

    def _judge_some(
        self,
        part: Part,
        number: NDArray[np.uint8],
        step: NDArray[np.uint8],
        regular: NDArray[np.bool_],
        ended: NDArray[np.bool_],
        begins: NDArray[np.bool_],
    ) -> NDArray[np.uint8]:
        """Judge run by run: the common case as arrays, everything else packet by packet."""
        table, segments = self.streams, part.segments
        rows = segments.rows
        verdict = np.zeros(len(number), np.uint8)
        silent_ns = part.t_ns - segments.before(part.t_ns, table.last_packet_ns[rows])
        copy = strides.find_copies(table, part, number, step, silent_ns)
        self._note_jumps(part, step, silent_ns, begins)
        self.interleaving.note(part, number, regular, begins)
        # A copy has its predecessor's number: without it the steps to both sides are as they were.
        whole = segments.all_of(regular | copy)
        by_one = ~whole & strides.counts_by_one(table, segments, number, step, (copy, ended), begins)
        rising = still = others = ~(whole | by_one)
        if np.count_nonzero(others):
            apart = (part.options & _NOT_LIVE) != 0
            apart |= segments.before(apart, (table.options[rows] & _NOT_LIVE) != 0)
            rising = others & strides.rises(table, segments, step, apart, begins)
            still = others & ~rising & strides.stands_still(table, segments, number, step, silent_ns, begins)
            for index in (others & ~(rising | still)).nonzero()[0].tolist():
                self._judge_one(part, index, verdict)
        if np.count_nonzero(copy):
            copy &= segments.spread(whole | by_one)
            verdict[copy] = _COPY
            strides.note_copies(table, segments, copy)
        steady = segments.spread(whole) & ~copy
        if np.count_nonzero(steady):
            self._continue(*_pick(part, number, steady))
        if np.count_nonzero(by_one):
            chosen, numbers = _pick(part, number, segments.spread(by_one) & ~copy)
            strides.count_by_one(table, chosen, numbers, begins[by_one])
        if np.count_nonzero(rising):
            places = segments.spread(rising)
            strides.rise(table, *_pick(part, number, places), step[places])
        if np.count_nonzero(still):
            places = segments.spread(still)
            verdict[places] = np.where(part.batch.protocol[part.at[places]] == _E131, _REPEAT, _OBEYED)
            strides.stand_still(table, _pick(part, number, places)[0])
        return verdict

    def _note_returns(self, part: Part, step: NDArray[np.uint8], late: NDArray[np.bool_]) -> None:
        """Keep when streams came back, and how many numbers lie between their packets before and after."""
        table, segments = self.streams, part.segments
        back = late & (table.first_frame_ns[segments.rows] > 0)
        rows, first = segments.rows[back], segments.first(step)[back]
        table.return_ns[rows] = segments.first(part.t_ns)[back]
        table.return_step[rows] = np.where(first == NO_STEP, 0, first)

    def _note_jumps(
        self, part: Part, step: NDArray[np.uint8], silent_ns: NDArray[np.int64], begins: NDArray[np.bool_]
    ) -> None:
        """Note numbers that jumped over a silence. A part is shorter than that silence, so only first rows may."""
        segments = part.segments
        silent, first = segments.first(silent_ns), segments.first(step)
        jumped = ((silent > JUMP_NS) & ~begins & (first > 1) & (first != NO_STEP)).nonzero()[0]
        if len(jumped):
            self.restarts.note(segments.rows[jumped], segments.first(part.t_ns)[jumped], silent[jumped], first[jumped])

    def _continue(self, segments: Segments, number: NDArray[np.uint8]) -> None:
        """Move steady series on: every number of them came."""
        table, rows = self.streams, segments.rows
        table.sequence[rows] = segments.last(number)
        mask, step = table.series_mask[rows], table.expected_step[rows]
        # A full mask stays full only where numbers rise by one; every stream that is back begins with a full one.
        if ((mask != _FULL) | (step > 1)).any():
            shift = step * segments.counts
            few = shift < 64
            shift = np.where(few, shift, 0).astype(np.uint64)
            came = _CAME[step]
            mask = np.where(few, mask << shift | (came & ((_ONE << shift) - _ONE)), came)
            table.series_mask[rows] = mask
            missed = 10 - np.bitwise_count(mask & np.uint64(0x3FF))
            table.lost_of_last_10[rows] = np.where(table.sequence_measurable[rows], missed, 0)
        votes = table.series_votes[rows]
        # A step of 0 is that of numbers that are not used: they vote for none.
        voting = (votes < MAX_VOTES) & (step > 0)
        if voting.any():
            counts = np.where(voting, np.minimum(segments.counts, MAX_VOTES), 0)
            table.series_votes[rows] = np.minimum(votes + counts, MAX_VOTES)
            table.series_packets[rows] = np.minimum(table.series_packets[rows] + counts, MAX_VOTES)

    def _judge_one(self, part: Part, index: int, verdict: NDArray[np.uint8]) -> None:
        """Take one stream's packets in a loop: about 3 µs each."""
        table, segments = self.streams, part.segments
        row, start, end = int(segments.rows[index]), int(segments.starts[index]), int(segments.lasts[index]) + 1
        series = self._series(row)
        measurable = bool(table.sequence_measurable[row])
        last_ns, timeout_ns = int(table.last_packet_ns[row]), int(table.timeout_ns[row])
        at = part.at[start:end]
        options = part.options[start:end].tolist()
        accepted_at = {LEVELS: -1, SLOT_PRIORITY: -1}
        # Priorities whose number is that of the levels before them are no copies of priorities of long ago.
        priorities_ns = int(table.last_slot_priority_ns[row])
        late = repeated = copies = 0
        kinds = part.kind[start:end].tolist()
        times, numbers = part.t_ns[start:end].tolist(), part.fields.sequence[at].tolist()
        was_apart = bool(table.options[row] & _NOT_LIVE)
        for place, (packet, time, number) in enumerate(zip(at.tolist(), times, numbers, strict=True)):
            silent_ns, last_ns = time - last_ns, time
            if silent_ns > timeout_ns:
                series.forget()
            if options[place] & OPTION_TERMINATED and not _fits(series, number):
                verdict[start + place] = _UNFIT
                continue
            kind = kinds[place] if kinds[place] in accepted_at and not options[place] & _NOT_LIVE else 0
            apart_ns = time - priorities_ns if kind == SLOT_PRIORITY else silent_ns
            is_copy = series.known and number == series.accepted != 0 and apart_ns <= strides.COPY_NS and kind > 0
            lost, pending = series.lost, series.pending
            answer = series.take(number, is_copy and self._same_bytes(part, packet, accepted_at[kind], row))
            is_apart = bool(options[place] & _NOT_LIVE)
            if is_apart or was_apart:
                # No receiver shows it, and anyone can send one. What lies between its number and those of frames is no
                # loss.
                series.lost, series.pending = lost, pending
            was_apart = is_apart
            if series.is_measurable != measurable:
                # What was lost before is counted, or taken back, by what it was then.
                self._keep_series(row, series)
                series, measurable = self._series(row), series.is_measurable
            if answer in (_ACCEPT, _OBEYED):
                if kind:
                    accepted_at[kind] = packet
                if kind == SLOT_PRIORITY:
                    priorities_ns = time
                if options[place] & OPTION_TERMINATED:
                    series.forget()
                if answer == _ACCEPT:
                    continue
            verdict[start + place] = answer
            late += answer == _LATE
            copies += answer == _COPY
            repeated += answer != _LATE
        if late or repeated:
            table.late[row] += np.uint64(late)
            table.repeated[row] += np.uint64(repeated)
        if copies:
            table.windows.add(windows.COPIES, np.array([row]), np.int16(copies))
        self._keep_series(row, series)

    def _same_bytes(self, part: Part, packet: int, other: int, row: int) -> bool:
        """Whether a packet's slots are those of the last accepted live one of its kind, in the batch or the table."""
        fields, data = part.fields, part.batch.data
        first, slots = int(fields.first_slot[packet]), int(fields.slots[packet])
        mine = data[packet, first : first + slots]
        if other >= 0:
            start = int(fields.first_slot[other])
            theirs = data[other, start : start + int(fields.slots[other])]
            return mine.tobytes() == theirs.tobytes()
        table = self.streams
        if fields.kind[packet] == LEVELS:
            theirs = table.levels[row, : int(table.slots[row])]
        else:
            theirs = table.slot_priorities[row, : int(table.slot_priority_slots[row])]
        return mine.tobytes() == theirs.tobytes()

    def _series(self, row: int) -> Series:
        table = self.streams
        accepted = int(table.sequence[row])
        steady = table.expected_step[row] != EVERY_STEP
        return Series(
            skips_zero=bool(table.protocol[row] != _E131),
            known=bool(table.series_known[row]),
            accepted=accepted,
            seen=accepted if steady else int(table.series_seen[row]),
            mask=int(table.series_mask[row]),
            step=int(table.series_step[row]),
            votes=int(table.series_votes[row]),
            run=int(table.series_run[row]),
            pending=int(table.series_pending[row]),
            packets=int(table.series_packets[row]),
            counted=int(table.lost_frames[row]),
        )

    def _keep_series(self, row: int, series: Series) -> None:
        table = self.streams
        table.series_known[row], table.sequence[row] = series.known, series.accepted
        table.series_seen[row], table.series_mask[row] = series.seen, series.mask
        table.series_step[row], table.series_votes[row] = series.step, series.votes
        table.series_run[row], table.series_pending[row] = series.run, series.pending
        table.series_packets[row] = series.packets
        table.expected_step[row] = 0 if series.is_unused else series.step if series.is_steady else EVERY_STEP
        table.sequence_stuck[row], table.sequence_step[row] = series.is_stuck, series.common_step
        was_measurable = bool(table.sequence_measurable[row])
        table.sequence_measurable[row] = series.is_measurable
        table.lost_of_last_10[row] = 10 - (series.mask & 0x3FF).bit_count() if series.is_measurable else 0
        if was_measurable and not series.is_measurable:
            # What looked missing before the habit was plain was no loss.
            table.lost_frames[row] -= np.uint64(table.windows.take_back(windows.LOST, row, 1 << 30))
        elif series.lost > 0:
            table.lost_frames[row] += np.uint64(series.lost)
            table.windows.add(windows.LOST, np.array([row]), np.int16(min(series.lost, 10_000)))
        elif series.lost < 0:
            table.lost_frames[row] -= np.uint64(-series.lost)
            table.windows.take_back(windows.LOST, row, -series.lost)


def _fits(series: Series, number: int) -> bool:
    """Whether a packet that says that its stream ends may be of the source that sent the others."""
    if not (series.known and series.is_steady):
        return True
    return 1 <= (number - series.accepted) % 256 <= max(FITTING, 3 * series.step)


def _pick(part: Part, number: NDArray[np.uint8], rows: NDArray[np.bool_]) -> tuple[Segments, NDArray[np.uint8]]:
    """Some rows of a part as runs of their own, with their numbers."""
    places = rows.nonzero()[0]
    return Segments(part.stream[places]), number[places]
