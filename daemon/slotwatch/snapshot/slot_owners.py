"""Which stream wins each slot of each universe, in little memory: nearly always one wins all that it sends.

As numbers for each slot this was 4 MiB of the 9 that a snapshot of 4,034 universes took, and six of them are in memory.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

NOBODY = -1
SLOTS = 512
_PLACES = np.arange(SLOTS)


@dataclass(slots=True, eq=False)
class SlotOwners:
    """Streams by number; -1 for none."""

    stream: NDArray[np.int16]
    """(U,) who wins every slot that it sends."""
    slots: NDArray[np.uint16]
    """(U,) how many slots that is; it wins none behind them."""
    shared: NDArray[np.int32]
    """(S,) places of the universes whose slots several may win, rising."""
    each: NDArray[np.int16]
    """(S, 512) who wins each of their slots."""

    def __len__(self) -> int:
        return len(self.stream)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, SlotOwners):
            return NotImplemented
        return all(np.array_equal(one, another) for one, another in zip(astuple(self), astuple(other), strict=True))

    __hash__ = None  # type: ignore[assignment]

    def of(self, place: int) -> NDArray[np.int16]:
        """(512,) who wins each slot of one universe."""
        at = int(self.shared.searchsorted(place))
        if at < len(self.shared) and self.shared[at] == place:
            each: NDArray[np.int16] = self.each[at]
            return each
        return np.where(self.slots[place] > _PLACES, self.stream[place], NOBODY).astype(np.int16)

    def numbered(self, numbers: NDArray[np.int32]) -> SlotOwners:
        """Give each stream its new number. numbers: by the old one, and at -1 the one of none."""
        stream, each = numbers[self.stream].astype(np.int16), numbers[self.each].astype(np.int16)
        return SlotOwners(stream, self.slots, self.shared, each)


def none_owned(universes: int) -> SlotOwners:
    """No stream wins any slot of this many universes."""
    nobody, slots = np.full(universes, NOBODY, np.int16), np.zeros(universes, np.uint16)
    return SlotOwners(nobody, slots, np.zeros(0, np.int32), np.zeros((0, SLOTS), np.int16))
