"""The packets of a batch that one pass works on: sorted by stream, in order of arrival within it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.segments import Rows, Segments
from slotwatch.wire.batch import Batch
from slotwatch.wire.fields import Fields, PacketKind
from slotwatch.wire.universe import Protocol

# Members of an enumeration cost a look-up of 0.3 µs each time on Python 3.11.
LEVELS = int(PacketKind.LEVELS)
SLOT_PRIORITY = int(PacketKind.SLOT_PRIORITY)


@dataclass(slots=True)
class Part:
    """Some rows of a batch with the columns that every step wants."""

    batch: Batch
    fields: Fields
    at: Rows
    """Rows of the batch."""
    stream: Rows
    """Row of the stream table of each; ascending."""
    segments: Segments = field(init=False)
    t_ns: NDArray[np.int64] = field(init=False)
    kind: NDArray[np.uint8] = field(init=False)
    options: NDArray[np.uint8] = field(init=False)

    def __post_init__(self) -> None:
        self.segments = Segments(self.stream)
        self.t_ns = self.batch.t_ns[self.at]
        self.kind = self.fields.kind[self.at]
        self.options = self.fields.options[self.at]

    @property
    def destinations(self) -> NDArray[np.uint64]:
        """Low half of each destination address, as it lies in memory."""
        low: NDArray[np.uint64] = self.batch.dst.view("<u8")[:, 1][self.at]
        return low

    def pick(self, places: Rows) -> Part:
        """Only these places of the part."""
        if len(places) == len(self.at):
            return self
        return Part(self.batch, self.fields, self.at[places], self.stream[places])


def by_kind(batch: Batch, fields: Fields, start_codes: NDArray[np.int64]) -> tuple[Rows | None, Rows | None]:
    """Rows that carry slots (None: all of them), and rows of the other kinds that are read. Counts start codes."""
    kind = fields.kind
    has_slots = (kind == LEVELS) | (kind == SLOT_PRIORITY)
    if has_slots.all():
        return None, None
    other_code = kind == PacketKind.OTHER_START_CODE
    if other_code.any():
        start_codes += np.bincount(fields.start_code[other_code], minlength=256)
        # E1.31 numbers all start codes of a universe in one series (6.2.5); others number levels alone.
        has_slots |= other_code & (batch.protocol == Protocol.E131)
    return np.flatnonzero(has_slots), np.flatnonzero(kind > PacketKind.OTHER_START_CODE)
