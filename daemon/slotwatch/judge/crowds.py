"""A crowd: more new, undeclared sources at once than a house can have, so that somebody invents them.

In a show, sources come one after the other, and the house file declares those that matter. While a crowd lasts, and for
a while after, all that its members do is one case (`too-many-sources`): they are not judged separately. Declared
sources and universes are judged as usual.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.judge.pass_tables import PassTables
from slotwatch.model.columns import MAX_SOURCES_PER_UNIVERSE
from slotwatch.wire.universe import Protocol

EVERY_NS = 100_000_000
START_NS = 5_000_000_000
"""At the start everybody is new. Art-Net's keep-alive comes every 4 s at the latest (Art-Net 4, ArtDmx)."""
MOMENTS_NS = 1_000_000_000
QUIET_NS = 1_500_000_000
"""Whoever was heard at the start for no longer than the one and is silent for the other is no sender: the keep-alive of
E1.31 comes every second at the latest (ANSI E1.31-2018 6.6.2), that of Art-Net within START_NS."""
MOST_NEW_WHERE_FULL = MAX_SOURCES_PER_UNIVERSE // 2
"""More may have come: where a table is full, each newcomer pushes another out."""


PUSHED_OUT_NS = 1_000_000_000
"""How much of its beginning may be forgotten when judging is late and sees it."""
FEW = 32
"""This many newcomers in a row, as close together as in a crowd, begin one."""


class Crowd:
    """Whether there is one, and since when new sources are counted as its members."""

    def __init__(self, most_new: int, within_s: float, over_s: float, forgotten_s: float) -> None:
        """most_new: new sources within `within_s` that make a crowd; where a table is full, MOST_NEW_WHERE_FULL do.

        over_s: time without that many that ends it. forgotten_s: time after its end until its silent members are
        forgotten.
        """
        self._most_new = most_new
        self._within_ns = ns_from_s(within_s)
        self._over_ns = ns_from_s(over_s)
        self._forgotten_ns = ns_from_s(forgotten_s)
        self._due_ns = 0
        self.since_ns = 0
        """Undeclared sources first heard since then are of the crowd; 0: there is none."""
        self.until_ns = 0
        """When it was over; 0: it is not. Members that send after that are judged as usual; the silent ones stay
        members."""
        self.last_ns = 0
        """When there were enough newcomers last."""
        self.newcomers = 0
        """New sources within the window."""

    @property
    def is_on(self) -> bool:
        """Whether it lasts, or was there a short while ago."""
        return self.since_ns > 0 and not self.until_ns

    @property
    def may_change(self) -> bool:
        """Whether one may begin or end by time alone."""
        return bool(self.newcomers or self.since_ns)

    def look(self, ctx: PassTables) -> None:
        """Count the new sources again."""
        if ctx.now_ns < self._due_ns:
            return
        self._due_ns = ctx.now_ns + EVERY_NS
        last_unkept_ns = ctx.model.streams.last_unkept_ns
        is_full = bool(last_unkept_ns) and ctx.now_ns - last_unkept_ns < self._within_ns
        # No house fills the tables as it starts.
        from_ns = max(ctx.now_ns - self._within_ns, ctx.started_ns + START_NS * (not is_full))
        came = ctx.strangers_since(from_ns)
        if ctx.now_ns - ctx.started_ns < self._within_ns:
            came |= self._only_began(ctx)
            from_ns = ctx.started_ns
        came_ns = ctx.model.sources.first_seen_ns[came.nonzero()[0]]
        self.newcomers = len(came_ns)
        if self.newcomers >= (min(self._most_new, MOST_NEW_WHERE_FULL) if is_full else self._most_new):
            self.last_ns = ctx.now_ns
            # The first of it made room for others already where a table is full.
            before_ns = PUSHED_OUT_NS * is_full
            self.since_ns = self.since_ns or max(from_ns, self._begins_ns(np.sort(came_ns), from_ns) - before_ns)
            self.until_ns = 0
        elif self.is_on and ctx.now_ns - self.last_ns > self._over_ns:
            self.until_ns = ctx.now_ns
        elif self.until_ns and ctx.now_ns - self.until_ns > self._forgotten_ns:
            self.since_ns = self.until_ns = 0

    def _only_began(self, ctx: PassTables) -> NDArray[np.bool_]:
        """Which strangers were heard for moments only since the start."""
        sources, top = ctx.model.sources, ctx.model.sources.top
        quiet_ns = np.where(sources.protocol[:top] == int(Protocol.ARTNET), START_NS, QUIET_NS)
        last_ns = sources.last_seen_ns[:top]
        only_began: NDArray[np.bool_] = ctx.now_ns - last_ns > quiet_ns
        only_began &= last_ns - sources.first_seen_ns[:top] <= MOMENTS_NS
        return ctx.strangers_since(ctx.started_ns) & only_began

    def _begins_ns(self, came_ns: NDArray[np.int64], from_ns: int) -> int:
        """When the crowd began, from the moments at which newcomers came: earlier ones are not members."""
        if len(came_ns) <= FEW:
            return from_ns
        in_a_row_ns = came_ns[FEW:] - came_ns[:-FEW]
        dense = np.flatnonzero(in_a_row_ns <= self._within_ns * FEW // self._most_new)
        return int(came_ns[dense[0]]) if len(dense) else from_ns

    def has_streams(self, ctx: PassTables, rows: NDArray[np.intp], *, spares_declared: bool) -> NDArray[np.bool_]:
        """Which of these streams are the crowd's; those on declared universes are not, if they are spared."""
        strange: NDArray[np.bool_] = ctx.strangers_since(self.since_ns)[ctx.streams.source[rows]]
        strange &= self._is_within(ctx.streams.last_packet_ns[rows])
        return strange & ~(spares_declared & (ctx.stream_declared[rows] >= 0))

    def has_any(self, ctx: PassTables, rows: Sequence[int]) -> bool:
        """Whether one of these streams is the crowd's, on whatever universe."""
        return self.since_ns > 0 and bool(self.has_streams(ctx, np.array(rows, np.intp), spares_declared=False).any())

    def has_universes(self, ctx: PassTables, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Which of these universes are undeclared and came only with the crowd, or were silent when it began."""
        universes = ctx.universes
        last_ns = universes.last_arrival_ns[rows]
        came: NDArray[np.bool_] = universes.first_frame_ns[rows] >= self.since_ns
        came |= (last_ns >= self.since_ns) & ~self._was_sent(ctx)[rows]
        return came & (universes.declared[rows] < 0) & self._is_within(last_ns)

    def _was_sent(self, ctx: PassTables) -> NDArray[np.bool_]:
        """(U,) which universes somebody else sent when it began, or has sent since."""
        streams = ctx.streams
        rows = np.flatnonzero(streams.used & (streams.last_arrival_ns + streams.timeout_ns >= self.since_ns))
        others = rows[~self.has_streams(ctx, rows, spares_declared=False)]
        was_sent = np.zeros(len(ctx.universes.used), np.bool_)
        was_sent[streams.universe[others]] = True
        return was_sent

    def _is_within(self, last_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether the last packet came before it was over."""
        within: NDArray[np.bool_] = last_ns <= (self.until_ns or np.iinfo(np.int64).max)
        return within


NO_CROWD = Crowd(1 << 30, 1.0, 1.0, 1.0)
