"""Every frame's levels of a few watched slots: a flash or a torn pair is gone before the next 100 ms.

Frames are copied as they are taken; the copies are worked on once per 100 ms. One watch
holds the same number of slots for every universe that it watches, so that a frame is one row of a matrix.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Integers = NDArray[np.int64]
Frames = tuple[Integers, Integers, NDArray[np.uint8]]
"""Watched row of each frame, its time, and (n, width) levels; sorted by row and then by arrival."""

MAX_FRAMES = 40_000
"""Frames kept between two turns: twice 100 ms of a full gigabit. Beyond it frames are left out, and counted."""


class FrameLevels(NamedTuple):
    """Levels of the frames of a batch, where they lie."""

    levels: NDArray[np.uint8]
    """(rows, 512)"""
    at: Integers | None = None
    """Row of each frame; None: frame by frame."""
    sent: NDArray[np.uint16] | None = None
    """How many slots each frame has, if the bytes after them are not 0."""

    def of(self, frame: Integers, slots: Integers) -> NDArray[np.uint8]:
        """Copy some slots of some frames; 0 where they were not sent. slots: (N, width) of N frames."""
        row = frame if self.at is None else self.at[frame]
        found: NDArray[np.uint8] = self.levels[row[:, None], slots]
        if self.sent is not None:
            found *= slots < self.sent[frame][:, None]
        return found


class Watch:
    """Slots that are watched, the same number on each row; a universe may have several rows or none."""

    def __init__(self, rows: list[tuple[int, list[int]]], universes: int, width: int) -> None:
        """rows: (declared universe, slot indices); a shorter list repeats its last slot."""
        rows.sort(key=lambda row: row[0])
        self.width = width
        self.universe: Integers = np.array([universe for universe, _ in rows], np.int64)
        self.slots: Integers = np.array([(slots + slots[-1:] * width)[:width] for _, slots in rows], np.int64).reshape(
            -1, width
        )
        self.start: Integers = np.searchsorted(self.universe, np.arange(universes + 1))
        self.count: Integers = np.searchsorted(self.universe, np.arange(universes + 1), "right") - self.start
        self.single = bool((self.count <= 1).all())
        self.kept: list[tuple[Integers, Integers, NDArray[np.uint8]]] = []
        self.addresses = self.start.ctypes.data, self.count.ctypes.data, self.slots.ctypes.data, width
        """Its description for compiled code."""

    def __len__(self) -> int:
        return len(self.universe)

    def take(self, declared: Integers, which: Integers, t_ns: Integers, frames: FrameLevels) -> None:
        """Keep the watched slots of frames `which` of a batch; declared: each frame's universe."""
        counts = self.count[declared]
        row, frame = self.start[declared], which
        if not counts.all():
            watched = counts.nonzero()[0]
            if not len(watched):
                return
            row, frame, counts = row[watched], which[watched], counts[watched]
        if not self.single:
            frame = np.repeat(frame, counts)
            begins = np.cumsum(counts) - counts
            row = np.repeat(row, counts) + np.arange(len(frame)) - np.repeat(begins, counts)
        self.kept.append((row, t_ns[frame], frames.of(frame, self.slots[row])))

    def drain(self, *, in_order: bool = True) -> Frames | None:
        """Give what was kept since the last call; None if nothing was. in_order: sorted by row, not as it came."""
        if not self.kept:
            return None
        row, t_ns, levels = (np.concatenate(parts) for parts in zip(*self.kept, strict=True))
        self.kept.clear()
        if not in_order:
            return row, t_ns, levels
        order = np.argsort(row, kind="stable")
        return row[order], t_ns[order], levels[order]


class Laid(NamedTuple):
    """Room for what the compiled pass shows the watches (`struct tap` of `continuations.c`)."""

    words: NDArray[np.int64]
    """(watches, 8) in the layout of the struct."""
    found: tuple[tuple[Integers, Integers, NDArray[np.uint8]], ...]
    """Of each watch: row, time and levels of each frame."""
    room: int
    """Frames that may be shown."""


class LightTap:
    """Gives winning streams' frames to watches."""

    def __init__(self, watches: tuple[Watch, ...]) -> None:
        self.watches = tuple(watch for watch in watches if len(watch))
        self.left_out = 0
        self._frames = 0

    def take(self, streams: Any, stream: NDArray[np.intp], t_ns: Integers, frames: FrameLevels) -> None:
        """Take N frames. streams: the stream table.   stream: (N,) its row of each."""
        universes = streams.universes
        universe = streams.universe[stream]
        declared = universes.declared[universe]
        which = ((declared >= 0) & (universes.winner[universe] == stream)).nonzero()[0]
        if not len(which):
            return
        room = MAX_FRAMES - self._frames
        self.left_out += max(0, len(which) - room)
        which = which[:room]
        self._frames += len(which)
        for watch in self.watches:
            watch.take(declared[which], which, t_ns, frames)

    @property
    def may_be_laid_out(self) -> bool:
        """Whether the compiled pass can show the frames itself: where no universe has several rows of a watch."""
        return all(watch.single for watch in self.watches)

    def lay_out(self, frames: int) -> Laid:
        """Make room for this many frames."""
        found = tuple(
            (np.empty(frames, np.int64), np.empty(frames, np.int64), np.empty((frames, watch.width), np.uint8))
            for watch in self.watches
        )
        words = [
            [*watch.addresses, *(one.ctypes.data for one in each), 0]
            for watch, each in zip(self.watches, found, strict=True)
        ]
        return Laid(np.array(words, np.int64), found, MAX_FRAMES - self._frames)

    def keep(self, laid: Laid, shown: int, left_out: int) -> None:
        """Keep what the compiled pass showed."""
        self._frames += shown
        self.left_out += left_out
        for watch, (row, t_ns, levels), count in zip(self.watches, laid.found, laid.words[:, -1].tolist(), strict=True):
            if count:
                watch.kept.append((row[:count], t_ns[:count], levels[:count]))

    def turn(self) -> None:
        """What was kept has been worked on: there is room again."""
        self._frames = 0


def rounds(row: Integers) -> list[Integers]:
    """Places of a sorted column in rounds: each row's first frame, then each one's second, and so on."""
    if not len(row):
        return []
    starts = np.flatnonzero(np.r_[True, row[1:] != row[:-1]])
    counts = np.diff(np.r_[starts, len(row)])
    return [starts[counts > turn] + turn for turn in range(int(counts.max()))]
