"""What the slots hold: levels of a batch, what changed in them, and a short memory of what they were."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.segments import Segments
from slotwatch.model.table import Table

SLOTS = 512
HISTORY = 16
"""Changed frames remembered for each stream as hash and time: enough for 200 ms at 44 Hz (8.8 frames), so
that another stream can be told to repeat or to run behind."""
STEP = 4
"""A change of this much in some slot is movement (below: a slow fade, dither)."""

COLUMNS = (
    ("levels", "u1", (SLOTS,)),
    ("slot_priorities", "u1", (SLOTS,)),
    ("history_hash", "<u8", (HISTORY,)),
    ("history_ns", "<i8", (HISTORY,)),
    ("history_count", "<u8"),  # changed frames ever; the ring's place is this modulo HISTORY
)

Levels = NDArray[np.uint8]
_PLACES = np.arange(SLOTS, dtype=np.uint16)
# One odd multiplier for each 8 slots, so that where a level stands matters.
_WEIGHTS = (np.arange(1, SLOTS // 8 + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)) | np.uint64(1)


def gather(data: Levels, rows: NDArray[np.intp], first_slot: NDArray[np.uint16], slots: NDArray[np.uint16]) -> Levels:
    """Copy the levels of these rows of a batch, (N, 512); slots that were not sent are 0."""
    first = int(first_slot[0])
    if (first_slot == first).all():
        levels = data[rows, first : first + SLOTS]
    else:
        levels = np.empty((len(rows), SLOTS), np.uint8)
        for first in np.unique(first_slot):
            which = np.flatnonzero(first_slot == first)
            levels[which] = data[rows[which], int(first) : int(first) + SLOTS]
    short = slots < SLOTS
    if short.any():
        # Past the last slot a row holds what earlier packets left there.
        which = np.flatnonzero(short)
        levels[which] *= slots[which, None] > _PLACES
    return levels


def differing(levels: Levels, before: Levels) -> NDArray[np.bool_]:
    """Which rows differ in any slot."""
    unequal: NDArray[np.bool_] = (levels.view(np.uint64) != before.view(np.uint64)).any(1)
    return unequal


def largest_steps(levels: Levels, before: Levels) -> Levels:
    """Largest change of any slot in each row."""
    higher = np.maximum(levels, before)
    lower = np.minimum(levels, before)
    np.subtract(higher, lower, out=higher)
    # Twice as fast as max(axis=1) on rows of this length.
    steps: Levels = np.maximum.reduceat(higher.reshape(-1), np.arange(0, higher.size, SLOTS))
    return steps


def hashes(levels: Levels) -> NDArray[np.uint64]:
    """Hash whole rows of levels, to be told apart later without keeping them."""
    mixed: NDArray[np.uint64] = np.einsum("ij,j->i", levels.view(np.uint64), _WEIGHTS)
    return mixed ^ (mixed >> np.uint64(29))


def remember(table: Table, segments: Segments, levels: Levels, t_ns: NDArray[np.int64]) -> None:
    """Keep hash and time of changed frames, which lie in these runs of stream rows."""
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
