"""Streams whose packets carry two series of numbers in turn: two senders with one identity and address.

Each jump of a stream leaves a series. A later jump that lands on the number after the one that was left takes that
series up again: its sender never stopped, and the packets between came from elsewhere. Jumps within the window of
ANSI E1.31-2018 6.7.2 are left out: packets that overtake each other cause them. So are steps that the stream is known
to make: where universes share one count, each packet makes one.

Art-Net counts from 1 to 255, and 0 is "not used": no jump leads to it or from it. A sender may count apart for each
address that it sends to, so only two packets in a row to one address are compared.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.part import LEVELS, Part
from slotwatch.model.sequence import SEQUENCES, WINDOW
from slotwatch.model.streams import EVERY_STEP, Streams
from slotwatch.wire.fields import OPTION_PREVIEW, OPTION_TERMINATED
from slotwatch.wire.universe import Protocol

TAKEN_UP, NOT_TAKEN_UP = 2, -1
"""What a jump adds to the count. Where a sender counts in no order beside a steady one, every second jump takes the
steady series up; where it sends alone, one jump in 256 does."""
MOST = 200
PLAIN = 20
"""The count from which two series are plain."""
FORGET_NS = 10_000_000_000
"""If no series is taken up for this time, the count begins anew. It is the window of the rules about numbers."""


class Interleaving:
    """The columns `interleaved…`, `left_number` and `last_stray_ns` of the stream table."""

    def __init__(self, streams: Streams) -> None:
        self._streams = streams

    def note(
        self, part: Part, number: NDArray[np.uint8], regular: NDArray[np.bool_], begins: NDArray[np.bool_]
    ) -> None:
        """Count the jumps of a part.

        regular: rows that step as their stream is known to. begins: runs whose series begins anew.
        """
        table, segments, stream = self._streams, part.segments, part.stream
        rows = segments.rows
        seen = np.where(table.expected_step[rows] == EVERY_STEP, table.series_seen[rows], table.sequence[rows])
        before = segments.before(number, seen)
        step = number - before
        jump = ~regular & (step >= WINDOW) & (step <= SEQUENCES - WINDOW)
        if not np.count_nonzero(jump):
            return
        # A packet that announces an end is of no series until it is believed: neither it nor the next one is a jump.
        ended = (part.options & OPTION_TERMINATED) != 0
        self._note_strays(part, jump & ~ended)
        jump &= ~(ended | segments.before(ended, begins | ((table.options[rows] & OPTION_TERMINATED) != 0)))
        others = table.protocol[stream] != int(Protocol.E131)
        if np.count_nonzero(others):
            to = part.destinations
            comparable = (number > 0) & (before > 0) & (to == segments.before(to, table.last_destination[rows]))
            jump &= ~others | comparable
        self._count(stream[jump], before[jump], number[jump], part.t_ns[jump])

    def _note_strays(self, part: Part, jump: NDArray[np.bool_]) -> None:
        """Keep when packets without live levels were far from their stream's series, where it has one or two."""
        table, stream = self._streams, part.stream
        stray = jump & ((table.expected_step[stream] != EVERY_STEP) | (table.interleaved[stream] >= PLAIN))
        stray &= (part.kind != LEVELS) | ((part.options & OPTION_PREVIEW) != 0)
        np.maximum.at(table.last_stray_ns, stream[stray], part.t_ns[stray])

    def _count(
        self, stream: NDArray[np.intp], left: NDArray[np.uint8], number: NDArray[np.uint8], t_ns: NDArray[np.int64]
    ) -> None:
        table = self._streams
        for row, before, now, at_ns in zip(stream.tolist(), left.tolist(), number.tolist(), t_ns.tolist(), strict=True):
            earlier = int(table.left_number[row])
            due = (earlier + 1) % SEQUENCES if table.protocol[row] == int(Protocol.E131) else earlier % 255 + 1
            is_taken_up = now == due
            table.left_number[row] = before
            count = int(table.interleaved[row])
            if at_ns - table.interleaved_ns[row] > FORGET_NS:
                count = 0
            if is_taken_up:
                if not count:
                    table.interleaved_since_ns[row] = at_ns
                table.interleaved_ns[row] = at_ns
            table.interleaved[row] = min(max(count + (TAKEN_UP if is_taken_up else NOT_TAKEN_UP), 0), MOST)
