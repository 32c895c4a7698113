"""Every frame's levels of a few watched slots: a flash or a torn pair is gone before the next 100 ms.

The streams' frames are tapped where they are taken; what was tapped is worked on once per 100 ms. Watched are
slots whose light faces the audience, and a few of each universe for groups in step and for 16-bit pairs.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Integers = NDArray[np.int64]

MAX_KEPT = 400_000
"""Watched levels kept between two turns: 100 ms of a full gigabit. Beyond it frames are left out, and counted."""


class Watched:
    """Watched slots sorted by declared universe: `slot` and the run of each universe."""

    def __init__(self, places: list[tuple[int, int]], universes: int) -> None:
        unique = sorted(set(places))
        self.index = {place: number for number, place in enumerate(unique)}
        self.slot: Integers = np.array([slot for _, slot in unique], np.int64)
        declared = np.array([universe for universe, _ in unique], np.int64)
        self.start: Integers = np.searchsorted(declared, np.arange(universes))
        self.count: Integers = np.searchsorted(declared, np.arange(universes), "right") - self.start

    def __len__(self) -> int:
        return len(self.slot)


class LightTap:
    """Collects (watched slot, time, level) of winning streams' frames."""

    def __init__(self, watched: Watched) -> None:
        self.watched = watched
        self.left_out = 0
        self._kept: list[tuple[Integers, Integers, NDArray[np.uint8]]] = []
        self._size = 0
        self._universe_of = np.zeros(0, np.int32)

    def take(self, streams: Any, stream: NDArray[np.intp], t_ns: Integers, levels: NDArray[np.uint8]) -> None:
        """Take frames. streams: the stream table.   stream: (N,) its row of each.   levels: (N, 512)."""
        universes = streams.universes
        universe = streams.universe[stream]
        declared = universes.declared[universe]
        wanted = (declared >= 0) & (universes.winner[universe] == stream)
        wanted &= self.watched.count[declared] > 0
        which = np.flatnonzero(wanted)
        if not len(which):
            return
        of = declared[which]
        counts = self.watched.count[of]
        size = int(counts.sum())
        if self._size + size > MAX_KEPT:
            self.left_out += len(which)
            return
        self._size += size
        row = np.repeat(which, counts)
        begins = np.cumsum(counts) - counts
        number = np.arange(size) - np.repeat(begins - self.watched.start[of], counts)
        self._kept.append((number, t_ns[row], levels[row, self.watched.slot[number]]))

    def drain(self) -> tuple[Integers, Integers, NDArray[np.uint8]] | None:
        """Give what was tapped since the last call, sorted by watched slot and then by arrival; None if nothing."""
        if not self._kept:
            return None
        columns = [np.concatenate(parts) for parts in zip(*self._kept, strict=True)]
        self._kept.clear()
        self._size = 0
        order = np.argsort(columns[0], kind="stable")
        return columns[0][order], columns[1][order], columns[2][order]


def rounds(number: Integers) -> list[Integers]:
    """Places of a sorted column in rounds: each watched slot's first, then each one's second, and so on."""
    if not len(number):
        return []
    starts = np.flatnonzero(np.r_[True, number[1:] != number[:-1]])
    counts = np.diff(np.r_[starts, len(number)])
    return [starts[counts > turn] + turn for turn in range(int(counts.max()))]
