"""Counts how often a stream changes its number of slots to and fro: from frames of one size to another and back."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.model.table import Table

UNCHANGED = 0xFFFF
"""In place of a number of slots: there was none before the present one. 0 is a number that frames have."""
ROW_NS = 2 * NANOSECONDS
"""Changes to and fro are in a row while no longer than this is between two of them (our choice)."""
_MOST = 60_000


def count_turns(
    table: Table,
    stream: NDArray[np.intp],
    t_ns: NDArray[np.int64],
    slots: NDArray[np.uint16],
    before: NDArray[np.uint16],
    is_new: NDArray[np.bool_],
) -> None:
    """Note the changes of these frames, those of one stream together and in order.

    before: the number of slots of the frame before each. is_new: which frames are the first of their stream.
    """
    at = np.flatnonzero((slots != before) & ~is_new)
    if not len(at):
        return
    changed, old = stream[at], before[at]
    is_first = np.append(True, changed[1:] != changed[:-1])
    is_last = np.append(is_first[1:], True)
    earlier = np.where(is_first, table.slots_before[changed], np.append(0, old[:-1]))
    table.slots_before[changed[is_last]] = old[is_last]
    turns = np.flatnonzero(slots[at] == earlier)
    if not len(turns):
        return
    rows, turn_ns = changed[turns], t_ns[at[turns]]
    starts = np.flatnonzero(np.append(True, rows[1:] != rows[:-1]))
    ends = np.append(starts[1:], len(rows)) - 1
    previous_ns = np.append(0, turn_ns[:-1])
    previous_ns[starts] = table.slot_turn_ns[rows[starts]]
    begins = np.where(turn_ns - previous_ns > ROW_NS, np.arange(len(rows)), -1)
    begun = np.maximum.reduceat(begins, starts)
    known = table.slot_turns[rows[starts]].astype(np.int64)
    count = np.where(begun >= 0, ends - begun + 1, known + ends - starts + 1)
    table.slot_turns[rows[starts]] = np.minimum(count, _MOST)
    table.slot_turn_ns[rows[starts]] = turn_ns[ends]
