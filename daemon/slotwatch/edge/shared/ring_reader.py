"""Reading the ring: copies of rows that were whole when they were made. `ring` says in which order what is read."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np

from slotwatch.edge.shared.ordering import fence
from slotwatch.edge.shared.ring import FAR_BYTES, GUARD_ROWS, NEAR_BYTES, Ring
from slotwatch.wire.batch import COLUMNS, NARROWEST, ROW_BYTES, Batch, addresses_of, empty


class CompiledCopy(Protocol):
    """The functions of `copying.c`. Both take the address of an array of 64-bit words."""

    def longest(self, words: int) -> int: ...

    def copy(self, words: int) -> None: ...


_START_AT = 4 + len(COLUMNS)
"""Places in these words: the rows' part, with the ring's part before it and the batch's part after it."""
_WORDS = _START_AT + 5 + len(COLUMNS)

Place = Callable[[int, int], Batch]
"""Gives memory for copies: called with how many rows are wanted and how wide they are; may give fewer rows."""


def owned(rows: int = GUARD_ROWS) -> Place:
    """Give memory for copies that is used again for each batch."""
    kept = empty(rows)
    return lambda wanted, _width: kept.part(slice(0, min(rows, wanted)))


class RingReader:
    """One reader's place in the ring. What it hands out is a copy that was whole when it was made.

    A reader that was overtaken continues in the middle of the ring, half a ring behind the writer: right where the
    writer is, it would be overtaken again at once.
    """

    def __init__(self, ring: Ring, tail: int, place: Place | None = None, compiled: CompiledCopy | None = None) -> None:
        """compiled: copies in place of numpy, with the same result."""
        self.ring = ring
        self._compiled = compiled
        self._words = np.zeros(_WORDS, np.int64)
        self._words[:_START_AT] = (*ring.addresses, NEAR_BYTES, FAR_BYTES, *addresses_of(ring.packets)[2:])
        self._view, self._words_address = self._words.data, self._words.ctypes.data
        self.tail = tail
        """Number of the next row."""
        self.lost = 0
        """Rows that were overwritten before they could be copied."""
        self._place = place or owned()
        if ring.reports:
            ring.taken_word[0] = tail

    def take(self, end: int, most: int = GUARD_ROWS) -> Batch | None:
        """Copy the next rows, at most `most` and none from `end` on; None if there are none.

        Rows that are gone are counted in `lost`, and the next ones that are there are given instead.
        """
        ring = self.ring
        while True:
            self._catch_up()
            first = self.tail
            fence()  # `head` before the origin and the rows
            start = (first - ring.origin) % ring.rows
            count = min(end - first, most, ring.rows - start)
            if count <= 0:
                return None
            batch = self._copy(start, count)
            if ring.was_whole(first):
                self.tail = first + len(batch)
                if ring.reports:
                    fence()  # the copy before the word that it was made
                    ring.taken_word[0] = self.tail
                return batch

    def _catch_up(self) -> None:
        ring = self.ring
        if self.tail < ring.oldest():
            middle = max(self.tail, ring.head - ring.rows // 2, ring.origin)
            self.lost += middle - self.tail
            self.tail = middle

    def _copy(self, start: int, count: int) -> Batch:
        if self._compiled is not None:
            return self._copy_compiled(self._compiled, start, count)
        ring = self.ring
        packets, rows = ring.packets, slice(start, start + count)
        width = _width(int(packets.length[rows].max()))
        batch = self._place(count, width)
        rows = slice(start, start + len(batch))
        for name, _, _ in COLUMNS:
            getattr(batch, name)[:] = getattr(packets, name)[rows]
        near = min(width, NEAR_BYTES)
        batch.data[:, :near] = ring.data[rows, :near]
        if width > NEAR_BYTES:
            batch.data[:, NEAR_BYTES:width] = ring.far[rows, : width - NEAR_BYTES]
        batch.wall_offset_ns = ring.wall_offset_ns
        return batch

    def _copy_compiled(self, compiled: CompiledCopy, start: int, count: int) -> Batch:
        view = self._view
        view[_START_AT], view[_START_AT + 1] = start, count
        width = _width(compiled.longest(self._words_address))
        batch = self._place(count, width)
        view[_START_AT + 1], view[_START_AT + 2] = len(batch), width
        self._words[_START_AT + 3 :] = addresses_of(batch)
        compiled.copy(self._words_address)
        batch.wall_offset_ns = self.ring.wall_offset_ns
        return batch


def _width(longest: int) -> int:
    """Bytes to copy of each packet. Lengths may be of other packets by now: then the check that follows says so."""
    return min(ROW_BYTES, max(NARROWEST, longest + 63 & ~63))
