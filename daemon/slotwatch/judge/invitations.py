"""Which declared source may send which declared universe, by the house file."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House

MOST_CELLS = 1 << 20
"""With more pairs of universe and source than this, those that the house names are searched."""


class Invitations:
    """The pairs of universe and source that the house file names. Indices are those of `House`."""

    def __init__(self, house: House) -> None:
        index = {source.name: number for number, source in enumerate(house.sources)}
        self._guarded = np.array([bool(universe.sources) for universe in house.universes] + [False], np.bool_)
        pairs = [
            number << 20 | index[name]
            for number, universe in enumerate(house.universes)
            for name in universe.sources
            if name in index
        ]
        self._pairs = np.array(sorted(pairs), np.int64)
        self._strangers = self._table(len(house.sources)) if self._is_small(len(house.sources)) else None
        """By universe and source; the last row and the last column are of what is not declared."""

    def _is_small(self, sources: int) -> bool:
        return len(self._guarded) * (sources + 1) <= MOST_CELLS

    def _table(self, sources: int) -> NDArray[np.bool_]:
        strangers = np.repeat(self._guarded[:, None], sources + 1, axis=1)
        strangers[self._pairs >> 20, self._pairs & 0xFFFFF] = False
        return strangers

    def is_stranger(self, universe: NDArray[np.signedinteger], source: NDArray[np.signedinteger]) -> NDArray[np.bool_]:
        """(N,) whether a universe names its sources and this one is not among them. -1: not declared."""
        if self._strangers is not None:
            found: NDArray[np.bool_] = self._strangers[universe, source]
            return found
        stranger: NDArray[np.bool_] = self._guarded[universe] & (universe >= 0)
        if len(self._pairs):
            pair = universe.astype(np.int64) << 20 | np.maximum(source, 0)
            place = np.minimum(self._pairs.searchsorted(pair), len(self._pairs) - 1)
            stranger &= ~((self._pairs[place] == pair) & (source >= 0))
        return stranger
