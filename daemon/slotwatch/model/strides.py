"""Series that are not steady yet, or no longer quite, moved on for many streams at once.

New streams, streams that are back, gaps in their numbers, numbers that are stuck and packets that come twice
are what a whole house shows at the same moment; one by one they would cost more than the time they came in. Each
function does exactly what `sequence.Series.take` does packet by packet, for the case it names and for no other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import levels, windows
from slotwatch.model.part import LEVELS, Part
from slotwatch.model.segments import Rows, Segments
from slotwatch.model.sequence import AMBIGUOUS, MAX_VOTES, UNDECIDED_PACKETS, VOTES_TO_KNOW
from slotwatch.model.streams import EVERY_STEP, Streams
from slotwatch.wire.fields import OPTION_PREVIEW, OPTION_TERMINATED

COPY_NS = 10_000_000
"""The same packet again within this is a copy: a loop, a mirror of both directions, two interfaces joined."""
MOST_RISES = 4
"""Packets of one stream in a part that are taken together with those of others: of a few streams that send more, one
by one is cheaper."""
Numbers = NDArray[np.uint8]
Flags = NDArray[np.bool_]
_FULL = np.uint64(0xFFFFFFFFFFFFFFFF)
_ONE = np.uint64(1)
_NOT_LIVE = OPTION_PREVIEW | OPTION_TERMINATED


def find_copies(table: Streams, part: Part, number: Numbers, step: Numbers, silent_ns: NDArray[np.int64]) -> Flags:
    """Rows that are their predecessor's live levels over again, sooner than COPY_NS.

    Only where the predecessor was taken for certain: another is found when its run is judged packet by packet.
    """
    segments, fields, data = part.segments, part.fields, part.batch.data
    live = (part.kind == LEVELS) & ((part.options & _NOT_LIVE) == 0)
    copy: Flags = (step == 0) & (number != 0) & (silent_ns <= COPY_NS) & live
    copy &= segments.before(live, table.series_known[segments.rows])
    found = copy.nonzero()[0]
    if not len(found):
        return copy
    slots = fields.slots[part.at]
    same = (slots == segments.before(slots, table.slots[segments.rows]))[found]
    at = part.at[found]
    mine = levels.gather(data, at, fields.first_slot[at], slots[found])
    first = np.zeros(len(number), np.bool_)
    first[segments.starts] = True
    theirs = table.levels[part.stream[found]]
    inner = (~first[found]).nonzero()[0]
    if len(inner):
        at = part.at[found[inner] - 1]
        theirs[inner] = levels.gather(data, at, fields.first_slot[at], fields.slots[at])
    same &= ~levels.differing(mine, theirs)
    copy[found[~same]] = False
    return copy


def note_copies(table: Streams, segments: Segments, copy: Flags) -> None:
    """Count copies; they change no series."""
    counts = segments.sums(copy)
    table.repeated[segments.rows] += counts.astype(np.uint64)
    table.windows.add(windows.COPIES, segments.rows, counts)


def counts_by_one(
    table: Streams, segments: Segments, number: Numbers, step: Numbers, apart: tuple[Flags, Flags], begins: Flags
) -> Flags:
    """Runs that `count_by_one` may take: each number is one on from the number before, and nothing hangs over.

    apart: rows that are copies, and rows that end their stream. begins: runs before which the series was forgotten,
    or not known yet.
    """
    rows = segments.rows
    copy, ended = apart
    by_one = step == 1
    by_one[segments.starts[begins]] = True
    whole = segments.all_of((by_one | copy) & ~ended)
    calm = (table.series_run[rows] == 0) & (table.series_pending[rows] == 0)
    calm &= (table.expected_step[rows] != EVERY_STEP) | (table.series_seen[rows] == table.sequence[rows])
    # A first 0 of Art-Net means that numbers are not used.
    calm = np.where(begins, (table.protocol[rows] == 1) | (segments.first(number) != 0), calm)
    chosen: Flags = whole & calm & ((table.series_votes[rows] == 0) | (table.series_step[rows] == 1))
    return chosen


def count_by_one(table: Streams, segments: Segments, number: Numbers, begins: Flags) -> None:
    """Take runs of numbers that each rise by one: those of new streams and of streams that are back."""
    rows = segments.rows
    packets = segments.counts
    steps = packets - begins
    shift = np.minimum(steps, 63).astype(np.uint64)
    mask = np.where(begins, _FULL, table.series_mask[rows])
    mask = mask << shift | ((_ONE << shift) - _ONE)
    votes = np.minimum(table.series_votes[rows] + steps, MAX_VOTES)
    table.series_known[rows] = True
    table.sequence[rows] = table.series_seen[rows] = segments.last(number)
    table.series_mask[rows] = mask
    table.series_step[rows] = np.where(steps > 0, 1, table.series_step[rows])
    table.series_votes[rows] = votes
    table.series_packets[rows] = np.minimum(table.series_packets[rows] + packets, MAX_VOTES)
    table.series_run[rows] = table.series_pending[rows] = 0
    known = votes >= VOTES_TO_KNOW
    table.expected_step[rows] = np.where(known, 1, EVERY_STEP)
    table.sequence_step[rows] = known
    table.sequence_stuck[rows] = False
    table.sequence_measurable[rows] = True
    table.lost_of_last_10[rows] = 10 - np.bitwise_count(mask & np.uint64(0x3FF))


def rises(table: Streams, segments: Segments, step: Numbers, apart: Flags, begins: Flags) -> Flags:
    """Runs that `rise` may take: few live packets, each with a later number than the one before, however much later.

    apart: rows that are not live, or follow one that is not.
    """
    rows = segments.rows
    forward = (step >= 1) & (step < AMBIGUOUS) & ~apart
    chosen: Flags = segments.all_of(forward) & ~begins & (segments.counts <= MOST_RISES)
    chosen &= (table.expected_step[rows] != EVERY_STEP) | (table.series_seen[rows] == table.sequence[rows])
    # Fewer than none are missing where one came late before the step was known.
    chosen &= (table.series_run[rows] == 0) & (table.series_pending[rows] >= 0)
    return chosen


def rise(table: Streams, segments: Segments, number: Numbers, step: Numbers) -> None:
    """Take the first packets of all runs together, then the second ones, and so on: numbers may be missing before
    each."""
    for place in range(int(segments.counts.max())):
        runs = (segments.counts > place).nonzero()[0]
        at = segments.starts[runs] + place
        _rise_once(table, segments.rows[runs], number[at], step[at])


def _rise_once(table: Streams, rows: Rows, number: Numbers, step: Numbers) -> None:
    packets = np.minimum(table.series_packets[rows] + 1, MAX_VOTES)
    votes, common = table.series_votes[rows], table.series_step[rows]
    voted = np.where(step == common, np.minimum(votes + 1, MAX_VOTES), votes - 1)
    common, votes = np.where(votes == 0, step, common), np.where(votes == 0, 1, voted)
    known = votes >= VOTES_TO_KNOW
    measurable = ~known | (common <= 1)
    decided = known | (packets >= UNDECIDED_PACKETS)
    missing = table.series_pending[rows] + step - 1
    pending = np.where(measurable & ~decided, missing, 0)
    shift = np.minimum(step, 63).astype(np.uint64)
    mask = np.where(step < 64, table.series_mask[rows] << shift, np.uint64(0)) | _ONE
    table.sequence[rows] = table.series_seen[rows] = number
    table.series_packets[rows], table.series_votes[rows], table.series_step[rows] = packets, votes, common
    table.series_pending[rows], table.series_mask[rows] = pending, mask
    table.expected_step[rows] = np.where(known & (pending == 0) & (common >= 1), common.astype(np.uint16), EVERY_STEP)
    table.sequence_stuck[rows], table.sequence_step[rows] = False, np.where(known, common, 0)
    table.lost_of_last_10[rows] = np.where(measurable, 10 - np.bitwise_count(mask & np.uint64(0x3FF)), 0)
    no_longer = rows[table.sequence_measurable[rows] & ~measurable]
    table.sequence_measurable[rows] = measurable
    if len(no_longer):
        # What looked missing before the habit was plain was no loss.
        all_of_it = np.full(len(no_longer), 1 << 30)
        table.lost_frames[no_longer] -= table.windows.take_back_each(windows.LOST, no_longer, all_of_it).astype(
            np.uint64
        )
    lost = np.where(measurable & decided, missing, 0)
    some = lost.nonzero()[0]
    if len(some):
        table.lost_frames[rows[some]] += lost[some].astype(np.uint64)
        table.windows.add(windows.LOST, rows[some], np.minimum(lost[some], 10_000).astype(np.int16))


def stands_still(
    table: Streams, segments: Segments, number: Numbers, step: Numbers, silent_ns: NDArray[np.int64], begins: Flags
) -> Flags:
    """Runs that `stand_still` may take: known to be stuck, and every number is the last one, too late for a copy."""
    rows = segments.rows
    still = (step == 0) & ((number == 0) | (silent_ns > COPY_NS))
    whole = segments.all_of(still) & ~begins & table.sequence_stuck[rows] & ~table.sequence_measurable[rows]
    whole &= (table.series_step[rows] == 0) & (table.series_seen[rows] == table.sequence[rows])
    chosen: Flags = whole & (table.series_pending[rows] == 0) & (table.expected_step[rows] == EVERY_STEP)
    return chosen


def stand_still(table: Streams, segments: Segments) -> None:
    """Take runs of numbers that are still stuck."""
    rows, counts = segments.rows, segments.counts
    table.series_run[rows] = np.minimum(table.series_run[rows].astype(np.int64) + counts, 0xFFFF)
    table.series_votes[rows] = np.minimum(table.series_votes[rows] + counts, MAX_VOTES)
    table.series_packets[rows] = np.minimum(table.series_packets[rows] + counts, MAX_VOTES)
    table.repeated[rows] += segments.large_counts
