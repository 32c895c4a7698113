"""How a careful decoder writes its verdicts: the first test that fails names the reason, oddities add up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.wire import fields
from slotwatch.wire.fields import Fields
from slotwatch.wire.reject import Odd, Reject

Mask = NDArray[np.bool_]


@dataclass(slots=True)
class Verdicts:
    """Status and oddities of some rows while their tests run, in the order of the standard's own checks."""

    fields: Fields

    def reject(self, where: Mask, reason: Reject) -> None:
        """Give this reason to the rows that have none yet."""
        status = self.fields.status
        status[where & (status == Reject.OK)] = reason

    def note(self, where: Mask, odd: Odd) -> None:
        """Add an oddity to these rows."""
        self.fields.odd[where] |= odd.value

    def close(self) -> Fields:
        """Zero every other column of the rejected rows, and return the columns."""
        wrong = self.fields.status != Reject.OK
        if wrong.any():
            for name in fields.COLUMNS:
                if name != "status":
                    getattr(self.fields, name)[wrong] = 0
        return self.fields


def word16(head: NDArray[np.uint8], offset: int) -> NDArray[np.int32]:
    """Read a big-endian 16-bit column."""
    return head[:, offset].astype(np.int32) << 8 | head[:, offset + 1]


def word32(head: NDArray[np.uint8], offset: int) -> NDArray[np.int64]:
    """Read a big-endian 32-bit column."""
    return word16(head, offset).astype(np.int64) << 16 | word16(head, offset + 2)


def same(head: NDArray[np.uint8], offset: int, raw: bytes) -> Mask:
    """Say which rows hold these bytes at this place."""
    wanted = np.frombuffer(raw, np.uint8)
    return every(head[:, offset : offset + len(raw)] == wanted)


def every(grid: Mask) -> Mask:
    """Say which rows are true throughout."""
    found: Mask = np.logical_and.reduce(grid, axis=1)
    return found


def some(grid: Mask) -> Mask:
    """Say which rows are true anywhere."""
    found: Mask = np.logical_or.reduce(grid, axis=1)
    return found
