"""Series that are not steady yet, or no longer quite, moved on for many streams at once.

New streams, streams that are back, a gap in a steady series, numbers that are stuck and packets that come twice
are what a whole house shows at the same moment; one by one they would cost more than the time they came in. Each
function does exactly what `sequence.Series.take` does packet by packet, for the case it names and for no other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import levels, windows
from slotwatch.model.part import LEVELS, Part
from slotwatch.model.segments import Segments
from slotwatch.model.sequence import AMBIGUOUS, MAX_VOTES, VOTES_TO_KNOW
from slotwatch.model.streams import EVERY_STEP, Streams
from slotwatch.wire.fields import OPTION_PREVIEW, OPTION_TERMINATED

COPY_NS = 10_000_000
"""The same packet again within this is a copy: a loop, a mirror of both directions, two interfaces joined."""
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
    found = np.flatnonzero(copy)
    if not len(found):
        return copy
    slots = fields.slots[part.at]
    same = (slots == segments.before(slots, table.slots[segments.rows]))[found]
    at = part.at[found]
    mine = levels.gather(data, at, fields.first_slot[at], slots[found])
    first = np.zeros(len(number), np.bool_)
    first[segments.starts] = True
    theirs = table.levels[part.stream[found]]
    inner = np.flatnonzero(~first[found])
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


def misses_some(table: Streams, segments: Segments, step: Numbers, ended: Flags, begins: Flags) -> Flags:
    """Runs that `miss_some` may take: steady by one for long, and now a single packet with a larger step."""
    rows = segments.rows
    first = segments.first(step)
    alone = (segments.counts == 1) & ~segments.first(ended) & ~begins
    alone &= (first > 1) & (first < AMBIGUOUS)
    steady = (table.expected_step[rows] == 1) & (table.series_votes[rows] > VOTES_TO_KNOW)
    chosen: Flags = alone & steady & table.sequence_measurable[rows]
    return chosen


def miss_some(table: Streams, segments: Segments, number: Numbers, step: Numbers) -> None:
    """Take single packets before which numbers are missing."""
    rows = segments.rows
    shift = np.minimum(step, 63).astype(np.uint64)
    mask = np.where(step < 64, table.series_mask[rows] << shift, np.uint64(0)) | _ONE
    table.sequence[rows] = number
    table.series_mask[rows] = mask
    table.series_votes[rows] -= np.uint8(1)
    table.series_packets[rows] = np.minimum(table.series_packets[rows] + 1, MAX_VOTES)
    table.lost_of_last_10[rows] = 10 - np.bitwise_count(mask & np.uint64(0x3FF))
    lost = step.astype(np.int16) - np.int16(1)
    table.lost_frames[rows] += lost.astype(np.uint64)
    table.windows.add(windows.LOST, rows, lost)


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
