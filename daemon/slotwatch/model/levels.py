"""What the slots hold: levels of a batch, what changed in them, and a short memory of what they were."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.segments import Segments
from slotwatch.model.table import Table
from slotwatch.wire.universe import SLOTS

HISTORY = 16
"""Changed frames remembered for each stream as hash and time: enough for 200 ms at 44 Hz (8.8 frames), so
to find that another stream repeats it or runs behind."""
STEP = 4
"""A change of this much in some slot is movement (below: a slow fade, dither)."""

COLUMNS = (
    ("levels", "u1", (SLOTS,)),
    ("slot_priorities", "u1", (SLOTS,)),
    ("history_hash", "<u8", (HISTORY,)),
    ("history_ns", "<i8", (HISTORY,)),
    ("history_count", "<u8"),  # changed frames ever; the ring's place is this modulo HISTORY
)

FEW_WORDS = 16
"""If on average no more than this many words of 8 slots differ in a row, only these words are looked at."""
WORDS_SHIFT = 6
"""64 words in a row."""
Levels = NDArray[np.uint8]
_PLACES = np.arange(SLOTS, dtype=np.uint16)
# One odd multiplier for every 8 slots, so that a level's place matters.
WEIGHTS = (np.arange(1, SLOTS // 8 + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)) | np.uint64(1)


def gather(data: Levels, rows: NDArray[np.intp], first_slot: NDArray[np.uint16], slots: NDArray[np.uint16]) -> Levels:
    """Copy the levels of these rows of a batch, (N, 512); slots that were not sent are 0."""
    most, first = int(slots.max()), int(first_slot[0])
    is_like_first = bool((first_slot == first).all())
    if is_like_first and most == SLOTS:
        levels = data[rows, first : first + SLOTS]
    else:
        # Copies no more than was sent: storms are of tiny packets.
        levels = np.zeros((len(rows), SLOTS), np.uint8)
        for begin in [first] if is_like_first else np.unique(first_slot).tolist():
            which = slice(None) if is_like_first else np.flatnonzero(first_slot == begin)
            levels[which, :most] = data[rows[which], begin : begin + most]
    short = slots < most
    if short.any():
        # Past the last slot a row holds what earlier packets left there.
        which = np.flatnonzero(short)
        levels[which, :most] *= slots[which, None] > _PLACES[:most]
    return levels


def differing_words(levels: Levels, before: Levels) -> NDArray[np.bool_]:
    """Which words of 8 slots differ, (N, 64)."""
    unequal: NDArray[np.bool_] = levels.view(np.uint64) != before.view(np.uint64)
    return unequal


def differing(levels: Levels, before: Levels) -> NDArray[np.bool_]:
    """Which rows differ in any slot."""
    return any_word(differing_words(levels, before))


def any_word(unequal: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which rows have any such word."""
    # Eight of them at a time.
    found: NDArray[np.bool_] = np.bitwise_or.reduce(unequal.view(np.uint64), axis=1) != 0
    return found


def largest_steps(levels: Levels, before: Levels, unequal: NDArray[np.bool_] | None = None) -> Levels:
    """Largest change of any slot in each row. unequal: the words that differ, where that is known."""
    if unequal is not None:
        places = np.flatnonzero(unequal)
        if len(places) <= FEW_WORDS * len(levels):
            return _steps_of_words(levels, before, places)
    higher = np.maximum(levels, before)
    lower = np.minimum(levels, before)
    np.subtract(higher, lower, out=higher)
    # Twice as fast as max(axis=1) on rows of this length.
    steps: Levels = np.maximum.reduceat(higher.reshape(-1), np.arange(0, higher.size, SLOTS))
    return steps


def _steps_of_words(levels: Levels, before: Levels, places: NDArray[np.intp]) -> Levels:
    """The same from the words that differ alone: most frames move a few slots."""
    steps = np.zeros(len(levels), np.uint8)
    if not len(places):
        return steps
    now = levels.view(np.uint64).reshape(-1)[places].view(np.uint8)
    then = before.view(np.uint64).reshape(-1)[places].view(np.uint8)
    change = np.maximum(now, then)
    change -= np.minimum(now, then)
    rows = places >> WORDS_SHIFT
    starts = np.flatnonzero(np.r_[True, rows[1:] != rows[:-1]])
    steps[rows[starts]] = np.maximum.reduceat(change, starts * 8)
    return steps


def hashes(levels: Levels) -> NDArray[np.uint64]:
    """Hash whole rows of levels, to compare them later without keeping them."""
    mixed: NDArray[np.uint64] = np.einsum("ij,j->i", levels.view(np.uint64), WEIGHTS)
    return mixed ^ (mixed >> np.uint64(29))


def remember(table: Table, segments: Segments, levels: Levels, t_ns: NDArray[np.int64]) -> None:
    """Keep hash and time of changed frames, which are in these runs of stream rows."""
    rows = segments.rows
    count = table.history_count[rows]
    if segments.single:
        place, stream = count % HISTORY, rows
    else:
        stream = np.repeat(rows, segments.counts)
        place = (np.repeat(count, segments.counts) + segments.places.astype(np.uint64)) % HISTORY
    flat = stream * HISTORY + place.astype(np.intp)
    table.history_hash.reshape(-1)[flat] = hashes(levels)
    table.history_ns.reshape(-1)[flat] = t_ns
    table.history_count[rows] = count + segments.large_counts
