"""Storms: one source that sends packets of levels far faster than any house does, and what is left of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.model.admission import MOST_UNIVERSES
from slotwatch.model.windows import FRAMES, OTHERS

if TYPE_CHECKING:
    from slotwatch.judge.context import RuleContext

LINGERS_NS = 4 * NANOSECONDS
"""For this long after a storm its universes still count as sent: loss timeout (ANSI E1.31-2018 6.7.1), and some
slack."""
REMEMBERED_NS = 600 * NANOSECONDS
"""After this time the universes of a storm are forgotten. A single universe is kept no longer than that either."""
MOST_REMEMBERED = 256
GOES_ON_UNIVERSES = 64
"""Universes that a storm over more than MOST_UNIVERSES still sends in a second while it lasts."""
COUNTED_PART = 0.1
"""Of the packets of such a source only those on universes that are kept are counted."""


class Storms:
    """Remembers which sources stormed lately."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[int, float]] = {}
        """When a source last stormed, and how many packets a second it sent; by identity, a row may be another's."""
        self._is_counting = False

    def rates(self, ctx: RuleContext, packets_hz: float, each_hz: float, window_s: float) -> dict[int, float]:
        """Rows of the sources that storm, or did a moment ago, and how many packets a second each sent.

        each_hz: more than this on its mean universe, so that no desk with a whole network of universes is one. A source
        on more universes than any network carries is one at a lower rate too.
        """
        self._look(ctx, packets_hz, each_hz, window_s)
        lately = {key for key, (last_ns, _) in self._known.items() if ctx.now_ns - last_ns <= LINGERS_NS}
        if not lately:
            return {}
        keys = {row: ctx.source_key(row) for row in ctx.sources}
        return {row: self._known[key][1] for row, key in keys.items() if key in lately}

    def is_counting(self, ctx: RuleContext) -> bool:
        """Whether enough came in the last second for any source to storm."""
        return self._is_counting

    def last_ns(self, ctx: RuleContext, source: int) -> int:
        """When a source last stormed; 0: never."""
        return self._known.get(ctx.source_key(source), (0, 0.0))[0]

    def _look(self, ctx: RuleContext, packets_hz: float, each_hz: float, window_s: float) -> None:
        streams = ctx.streams
        may_invent = ctx.model.streams.filled > MOST_UNIVERSES
        self._is_counting = may_invent or ctx.may_count((FRAMES, OTHERS), window_s, packets_hz * window_s)
        if not self._is_counting:
            return
        counts = ctx.counted((FRAMES, OTHERS), window_s)
        if counts.sum() <= packets_hz * window_s and not may_invent:
            return
        rows = np.flatnonzero(streams.used & (counts > 0))
        sources = streams.source[rows]
        packets, universes = np.bincount(sources, counts[rows]), np.bincount(sources)
        stormy = (packets > packets_hz * window_s) & (packets > each_hz * window_s * universes)
        if may_invent:
            kept = np.bincount(streams.source[streams.used], minlength=len(packets))[: len(packets)]
            stormy |= (kept > MOST_UNIVERSES) & (packets > packets_hz * window_s * COUNTED_PART)
            # Once the table is full, few of its packets are counted: it goes on while it sends on many universes.
            for row in np.flatnonzero((kept > MOST_UNIVERSES) & (universes > GOES_ON_UNIVERSES) & ~stormy).tolist():
                stormy[row] = ctx.at_ns - self.last_ns(ctx, row) <= LINGERS_NS
        for row in np.flatnonzero(stormy).tolist():
            key = ctx.source_key(row)
            last_ns, before_hz = self._known.pop(key, (0, 0.0))
            is_same = may_invent and ctx.at_ns - last_ns <= LINGERS_NS
            self._known[key] = ctx.at_ns, max(float(packets[row]) / window_s, before_hz * is_same)
        while len(self._known) > MOST_REMEMBERED:
            del self._known[next(iter(self._known))]

    def brought(self, ctx: RuleContext, lost: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(U,) of lost universes that the house does not declare, those that only sources sent which stormed lately.

        Who had stopped before, a loss timeout and more, has no part in it.
        """
        found = np.zeros(len(lost), np.bool_)
        known = {key for key, (last_ns, _) in self._known.items() if ctx.at_ns - last_ns <= REMEMBERED_NS}
        if not known:
            return found
        stormed: dict[int, bool] = {}
        for row in np.flatnonzero(lost & (ctx.universes.declared[: len(lost)] < 0)).tolist():
            rows = ctx.streams_of(row)
            last_ns = ctx.streams.last_arrival_ns[rows]
            sources = ctx.sources_of(rows[last_ns >= last_ns.max(initial=0) - ctx.streams.timeout_ns[rows]].tolist())
            for source in sources - stormed.keys():
                stormed[source] = ctx.source_key(source) in known
            # A full table keeps no stream of some universes of a storm. No other source sent those.
            found[row] = all(stormed[source] for source in sources)
        return found
