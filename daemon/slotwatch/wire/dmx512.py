"""DMX512 frames of a line, and the timing rules of ANSI E1.11 that bound them.

Rows of a line hold the start code first and the slots after it. Timing is by ANSI E1.11's table 6 as other
implementations quote it: 250 kbit/s, 11 bits a slot, so 44 µs; break at least 92 µs and mark after it at
least 12 µs for a transmitter, 88 and 8 µs for a receiver; break to break 1,204 µs to 1 s.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.wire import fields
from slotwatch.wire.fields import Fields, PacketKind
from slotwatch.wire.reject import Reject
from slotwatch.wire.universe import SLOTS
from slotwatch.wire.verdict import Verdicts

SLOT_US = 44
BREAK_SENT_US, BREAK_RECEIVED_US = 92, 88
MARK_SENT_US, MARK_RECEIVED_US = 12, 8
SHORTEST_PERIOD_SENT_US, SHORTEST_PERIOD_RECEIVED_US = 1204, 1196
LONGEST_PERIOD_S = 1.0
"""Beyond this between breaks a receiver takes the data for lost."""


def shortest_period_us(slots: int) -> int:
    """Return the least time from break to break for a frame of this many slots, in microseconds."""
    if not 0 <= slots <= SLOTS:
        raise ValueError(f"{slots} slots: a frame has 0 to {SLOTS}")
    return max(SHORTEST_PERIOD_SENT_US, BREAK_SENT_US + MARK_SENT_US + SLOT_US * (slots + 1))


def highest_refresh_hz(slots: int) -> float:
    """Return the most frames a second that a line can carry at this many slots (44.1 at 512)."""
    return 1e6 / shortest_period_us(slots)


def decode(start_code: NDArray[np.uint8], length: NDArray[np.int32], line: NDArray[np.uint16]) -> Fields:
    """Decode N frames of lines.

    start_code: (N,) first byte of each row; length: (N,) bytes with it; line: (N,) number of the row's line.
    """
    out = fields.empty(len(length))
    verdicts = Verdicts(out)
    verdicts.reject(length < 1, Reject.TOO_SHORT)
    verdicts.reject(length > SLOTS + 1, Reject.TOO_LONG)
    out.start_code[:] = start_code
    out.kind[:] = np.where(out.start_code == 0, PacketKind.LEVELS, PacketKind.OTHER_START_CODE)
    out.universe[:] = line
    out.priority[:] = 100
    out.slots[:] = np.clip(length - 1, 0, SLOTS)
    out.first_slot[:] = 1
    return verdicts.close()
