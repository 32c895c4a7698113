"""Counts long pauses of a stream in a row: gaps while its levels move that are longer than any keep-alive."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import MICROSECOND_NS, NANOSECONDS
from slotwatch.model.table import Table

PAUSE_US = 1_500_000
"""Shortest pause. ANSI E1.31-2018 6.6.2: what does not change is sent again after 0.8 to 1 s; half as much again."""
ROW_NS = 30 * NANOSECONDS
"""Pauses are in a row while no longer than this is from the end of one to the end of the next (our choice)."""
_MOST = 60_000


def count_pauses(table: Table, stream: NDArray[np.intp], gaps_us: NDArray[np.uint32], ended_ns: int) -> None:
    """Note which of these uneven gaps are long pauses. ended_ns: when they ended, to a tenth of a second."""
    long = gaps_us >= PAUSE_US
    if not np.count_nonzero(long):
        return
    rows, gaps_ns = stream[long], gaps_us[long].astype(np.int64) * MICROSECOND_NS
    goes_on = (table.pauses[rows] > 0) & (ended_ns - table.pause_end_ns[rows] <= ROW_NS)
    table.pauses[rows] = np.where(goes_on, np.minimum(table.pauses[rows] + np.uint16(1), _MOST), 1)
    longest_us = np.where(goes_on, table.pauses_longest_us[rows], 0)
    table.pauses_longest_us[rows] = np.maximum(longest_us, gaps_us[long])
    lost_before = np.where(goes_on, table.pauses_lost_before[rows], table.lost_frames[rows])
    table.pauses_lost_before[rows] = lost_before
    table.pauses_began_ns[rows] = np.where(goes_on, table.pauses_began_ns[rows], ended_ns - gaps_ns)
    table.pause_end_ns[rows] = ended_ns
