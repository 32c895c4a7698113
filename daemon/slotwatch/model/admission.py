"""Which senders are let into tables that are full or nearly so: declared ones first, then those that keep sending.

Anyone who can send to this computer can invent as many senders as packets. Three things keep them out:

- While a bound is near, a new stream is let in with its second packet, not its first (`KnockCounts`). A sender that
  invents an identity for each packet never gets in.
- A newcomer pushes out who counts less (`rank`): a declared source pushes out any that is not declared, a stream on a
  declared universe those on others that came moments ago.
- On a full universe a newcomer pushes out a live stream that came moments ago and sent less than itself.

What was heard for moments only and is silent is always the first to go.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.columns import MAX_STREAMS

BRIEF_NS = 5_000_000_000
"""Heard for less than this: it came moments ago, or for moments only."""
FORGET_BRIEF_NS = 30_000_000_000
MOST_BRIEF = 64
"""How many silent senders that were heard for moments only are kept. More are a flood: all are forgotten."""
MOST_CLONES = 8
"""And how many of those that all pass for one declared source."""
MOST_UNIVERSES = MAX_STREAMS // 2
"""More than a gigabit carries at 44 frames a second (4,034): a source that sends on more of them invents universes."""
CELLS = 1 << 20
PERIOD_NS = 2_000_000_000
"""The door remembers for one to two of these; at 50,000 new senders a second 1 in 100 is taken for known."""
PLACES = 2


class KnockCounts:
    """How often each newcomer has knocked within the last 2 to 4 s, in fixed memory: a count-min sketch."""

    def __init__(self) -> None:
        self._counts: NDArray[np.uint8] = np.zeros((2, CELLS), np.uint8)
        self._period = 0

    def knock(self, hashes: NDArray[np.uint64], packets: NDArray[np.intp], t_ns: int) -> NDArray[np.int64]:
        """Count packets of newcomers; returns how many each has sent lately, these left out. Hashes differ."""
        self._turn(t_ns // PERIOD_NS)
        places = np.stack([(hashes >> np.uint64(20 * each)).astype(np.intp) & (CELLS - 1) for each in range(PLACES)])
        now, before = self._counts[self._period % 2], self._counts[(self._period + 1) % 2]
        counts = now[places].astype(np.int64)
        known: NDArray[np.int64] = (counts + before[places]).min(axis=0)
        now[places] = np.minimum(counts + packets, 255)
        return known

    def _turn(self, period: int) -> None:
        if period <= self._period:
            return
        if period > self._period + 1:
            self._counts[:] = 0
        else:
            self._counts[period % 2] = 0
        self._period = period


def rank(is_source_declared: NDArray[np.bool_], is_universe_declared: NDArray[np.bool_]) -> NDArray[np.int8]:
    """How much a stream counts: 2 and 3 of a declared source, 1 on a declared universe, 0 neither."""
    return is_source_declared * np.int8(2) + is_universe_declared


DECLARED = 2
"""The least rank of a declared source's stream."""


class EvictionOrder(NamedTuple):
    """What counts of each stream, or source, when room is made."""

    idle: NDArray[np.bool_]
    """Silent past its timeout."""
    brief: NDArray[np.bool_]
    """Heard for moments only, or only since moments ago."""
    ranks: NDArray[np.int8]
    last_ns: NDArray[np.int64]
    """Its last packet."""
    packets: NDArray[np.int64]


class Newcomer(NamedTuple):
    """A sender that asks for room."""

    rank: int
    packets: int
    """How many packets it sent lately."""


def first_to_go(standing: EvictionOrder, newcomer: Newcomer, most: int) -> NDArray[np.intp]:
    """Which of these make room for a newcomer, at least one if any may, first to go first.

    Silent ones of no declared source always may. Live ones may where the newcomer counts more, and where they came
    moments ago and sent less than it did. More than one only where nothing is lost by it.
    """
    idle, brief, ranks, last_ns, packets = standing
    may = idle & (ranks < DECLARED)
    if newcomer.rank >= DECLARED:
        may |= ranks < DECLARED
    may |= brief & (ranks < newcomer.rank)
    # Of the same rank, and also among declared ones, whose identity can be forged: the one that sent less.
    may |= brief & (ranks <= newcomer.rank) & (packets < newcomer.packets)
    rows = np.flatnonzero(may)
    # Among silent ones the longest silent goes first, among live ones the one that sent least.
    age = np.where(idle[rows], last_ns[rows], packets[rows])
    go = rows[np.lexsort((age, ranks[rows], ~brief[rows], ~idle[rows]))][:most]
    return go[np.r_[True, (idle & brief & (ranks < DECLARED))[go[1:]]]] if len(go) > 1 else go
