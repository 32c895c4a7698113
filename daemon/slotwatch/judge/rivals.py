"""Several sources on one universe: whether they are in step, and where they differ.

All rules share one comparison a pass. A pair is a live stream and its reference: for a backup the main source, for any
other stream the one in control. `judge.lags` defines what is in step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.judge.context import RuleContext
from slotwatch.judge.invitations import Invitations
from slotwatch.judge.lags import ALLOWED_LAG_MS, Lags
from slotwatch.judge.parameters import Threshold
from slotwatch.judge.stops import measure_stops
from slotwatch.model.control import gives_slot_priorities
from slotwatch.wire.e131 import SLOT_PRIORITY_LOSS_NS
from slotwatch.wire.universe import SLOTS

LAG = (Threshold("lag_ms", ALLOWED_LAG_MS, "lag that a source in step may have"),)
Rows = NDArray[np.intp]


@dataclass(slots=True)
class Pairs:
    """What one pass found. All of length P, over live streams that share a universe."""

    reference: Rows
    """Stream rows that are compared with."""
    rival: Rows
    """Stream rows that are compared."""
    universe: Rows
    """Universe rows."""
    differing: NDArray[np.int64]
    """Slots in which the rival is out of step with its reference."""
    worst: NDArray[np.int64]
    """Largest such difference, in levels."""
    contested: NDArray[np.int64]
    """Slots out of step that both win or share at one priority."""
    unlike: NDArray[np.bool_]
    """Levels differ in any way, lag or not."""


_NO_ROWS: Rows = np.zeros(0, np.intp)


def _none() -> Pairs:
    counts = np.zeros(0, np.int64)
    return Pairs(_NO_ROWS, _NO_ROWS, _NO_ROWS, counts, counts, counts, np.zeros(0, np.bool_))


class Rivals:
    """Compares streams that share a universe, once every 100 ms."""

    def __init__(self) -> None:
        self.pairs = _none()
        self._house: House | None = None
        """The one that the invitations are of."""
        self._compared_ns = 0
        self._lags = Lags()

    def compare(self, ctx: RuleContext) -> Pairs:
        """Give this pass's pairs; the same value however many rules ask."""
        if self._compared_ns == ctx.now_ns:
            return self.pairs
        self._compared_ns = ctx.now_ns
        if ctx.house is not self._house:
            self._house, self._invitations = ctx.house, Invitations(ctx.house)
        rows = self._sharing(ctx)
        if not len(rows):
            self.pairs = _none()
            self._lags.clear()
            return self.pairs
        self._lags.sample(ctx, rows)
        self.pairs = self._pair(ctx, rows)
        return self.pairs

    @property
    def is_comparing(self) -> bool:
        """Whether anything is kept of the last comparison: what each showed then counts in the next one."""
        return len(self.pairs.rival) > 0 or self._lags.has_samples

    @staticmethod
    def _sharing(ctx: RuleContext) -> Rows:
        crowded = ctx.universes.live >= 2
        if not np.count_nonzero(crowded):
            return _NO_ROWS
        # A stream that ended and is not lost yet, as with Art-Net for 10 s, is left out.
        return np.flatnonzero(ctx.live & crowded[ctx.streams.universe] & ~_has_ended(ctx))

    def _pair(self, ctx: RuleContext, rows: Rows) -> Pairs:
        streams, universes = ctx.streams, ctx.universes
        universe = streams.universe[rows].astype(np.intp)
        reference = universes.winner[universe].astype(np.intp)
        main_of = self._mains(ctx, rows, _is_role(ctx, rows, "backup"))
        reference = np.where(main_of >= 0, main_of, reference)
        ended = ~np.isin(reference, rows)
        if ended.any():
            # It has no levels to be out of step with: the first that sends takes its place.
            among, first = np.unique(universe, return_index=True)
            reference[ended] = rows[first[among.searchsorted(universe[ended])]]
        keep = (reference != rows) & (reference >= 0) & (streams.universe[reference] == universe)
        if not keep.any():
            return _none()
        rival, reference, universe = rows[keep], reference[keep], universe[keep]
        differing, worst, contested = self._measure(ctx, reference, rival)
        unlike = (streams.levels[reference] != streams.levels[rival]).any(1)
        return Pairs(reference, rival, universe, differing, worst, contested, unlike)

    def _measure(
        self, ctx: RuleContext, reference: Rows, rival: Rows
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        differing = np.zeros(len(rival), np.int64)
        worst, contested = differing.copy(), differing.copy()
        levels = ctx.streams.levels
        unlike = np.flatnonzero((levels[reference] != levels[rival]).any(1))
        if not len(unlike):
            return differing, worst, contested
        a, b = reference[unlike], rival[unlike]
        out, apart = self._lags.out_of_step(ctx, a, b)
        differing[unlike] = out.sum(1)
        worst[unlike] = np.where(out, apart, 0).max(1)
        contested[unlike] = (out & _alike_in_rank(ctx, a, b)).sum(1)
        return differing, worst, contested

    def _mains(self, ctx: RuleContext, rows: Rows, backup: NDArray[np.bool_]) -> Rows:
        """(N,) of each backup a live stream of a main source that is declared for the universe; -1: there is none."""
        universe = ctx.streams.universe
        main_of = np.full(ctx.universes.count, -1, np.intp)
        mains = rows[_is_role(ctx, rows, "main")]
        # A main source that is declared for other universes only is a stranger here, and no reference.
        mains = mains[~self._invitations.is_stranger(ctx.stream_declared[mains], ctx.stream_sources_declared[mains])]
        main_of[universe[mains]] = mains
        found = np.where(backup, main_of[universe[rows]], -1)
        several = np.bincount(universe[mains], minlength=ctx.universes.count) > 1
        for at in np.flatnonzero(backup & several[universe[rows]]).tolist():
            of = universe[rows[at]]
            found[at] = _nearest_of(ctx, int(rows[at]), mains[universe[mains] == of], int(ctx.universes.winner[of]))
        return found


def _has_ended(ctx: RuleContext) -> NDArray[np.bool_]:
    """(S,) streams that have been silent for longer than E1.31's loss time and than their own usual interval."""
    silent_ns = ctx.now_ns - ctx.streams.last_arrival_ns
    ended: NDArray[np.bool_] = silent_ns > SLOT_PRIORITY_LOSS_NS
    return measure_stops(ctx).late_among(ended) if ended.any() else ended


def _is_role(ctx: RuleContext, rows: Rows, role: str) -> NDArray[np.bool_]:
    declared = ctx.stream_sources_declared[rows]
    roles = np.array([source.role == role for source in ctx.house.sources] + [False], np.bool_)
    return roles[np.where(declared >= 0, declared, len(roles) - 1)]


def _nearest_of(ctx: RuleContext, backup: int, mains: Rows, winner: int) -> int:
    """Of several main sources of one universe, the one that sends most of the backup's universes and fewest others;
    else the winner."""
    rows: list[int] = mains.tolist()
    own, sent = _universes_of(ctx, backup), {main: _universes_of(ctx, main) for main in rows}
    return max(rows, key=lambda main: (len(own & sent[main]), -len(sent[main] - own), main == winner, main))


def _universes_of(ctx: RuleContext, row: int) -> set[int]:
    """Universes that a stream's source sends now."""
    rows = ctx.streams_from(ctx.source_of(row))
    return set(ctx.streams.universe[rows[ctx.live[rows]]].tolist())


def _alike_in_rank(ctx: RuleContext, a: Rows, b: Rows) -> NDArray[np.bool_]:
    """(P, 512) slots that two streams claim at one priority, with no source above them."""
    first, second = slot_ranks(ctx, a), slot_ranks(ctx, b)
    equal: NDArray[np.bool_] = (first == second) & (first > 0)
    winner = ctx.universes.winner[ctx.streams.universe[a]]
    above = slot_ranks(ctx, np.where(winner >= 0, winner, a).astype(np.intp))
    return equal & (above <= first)


def slot_ranks(ctx: RuleContext, rows: Rows) -> NDArray[np.uint16]:
    """(N, 512) rank of each slot: twice its priority by start code 0xDD while that is fresh, else the packet's.

    E1.31 6.2.3: a packet priority of 0 is the lowest. It ranks as 1: above the 0 of 0xDD, which is "not mine".
    """
    streams = ctx.streams
    ranks = np.repeat(np.maximum(streams.priority[rows].astype(np.uint16) * 2, 1)[:, None], SLOTS, axis=1)
    gives = np.flatnonzero(gives_slot_priorities(ctx.model.streams, rows))
    if len(gives):
        ranks[gives] = streams.slot_priorities[rows[gives]].astype(np.uint16) * 2
    return ranks.astype(np.uint16)
