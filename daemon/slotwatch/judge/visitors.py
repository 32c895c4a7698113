"""Streams that may have come by another network's lead: while this listener's leads are swapped, they do not count as
returned."""

from __future__ import annotations

from enum import Enum
from functools import cached_property

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.binding import Finding
from slotwatch.judge.context import RuleContext
from slotwatch.judge.homes import TOGETHER_NS, gone_ns, swapped_pairs

KEEP_ALIVE_NS = NANOSECONDS
"""What goes the other way at rest may come so much later (ANSI E1.31-2018 6.6.2)."""


FOUND_NS = 2 * NANOSECONDS
"""Longest on-delay of what a source of the other network does here, and some slack."""


class Visit(Enum):
    """Why a stream says nothing of the network on which it arrives."""

    NEW = "it was heard on another network first, and came here so lately that leads may have been swapped"
    SWAPPED = "the two networks are swapped"
    OVER = "it is heard on the other network again"


class Visitors:
    """For one pass: which streams of other networks' sources are visitors, and which cases are held because of them."""

    def __init__(self, ctx: RuleContext) -> None:
        self._ctx = ctx

    @cached_property
    def _pairs(self) -> frozenset[tuple[int, int]]:
        return frozenset(swapped_pairs(self._ctx))

    def visit(self, stream: int) -> Visit | None:
        """Say why a stream says nothing of its network; None if it belongs there."""
        ctx = self._ctx
        if len(ctx.house.networks) < 2:
            return None
        source = ctx.source_of(stream)
        here = ctx.sources[source]
        homes = [leg for leg in ctx.other_legs(source) if ctx.sources[leg].address == here.address]
        homes = [leg for leg in homes if ctx.sources[leg].first_seen_ns < here.first_seen_ns]
        if not homes or ctx.is_here(source):
            return None
        home = min(homes, key=lambda leg: ctx.sources[leg].first_seen_ns)
        if ctx.sources[home].last_seen_ns > here.last_seen_ns:
            return Visit.OVER if self._was_a_visit(stream, home) else None
        if ctx.now_ns - int(ctx.streams.since_ns[stream]) < _settled_ns(ctx, source):
            return Visit.NEW
        networks = sorted((ctx.sources[home].network, here.network))
        return Visit.SWAPPED if tuple(networks) in self._pairs else None

    def _was_a_visit(self, stream: int, home: int) -> bool:
        """Whether what is heard on another network again was away from there meanwhile.

        Where two networks use the same addresses, a source may have been heard on both all the time.
        """
        ctx, streams = self._ctx, self._ctx.streams
        source, last_ns = ctx.source_of(stream), int(streams.last_arrival_ns[stream])
        here = ctx.sources[source]
        legs = [ctx.sources[leg] for leg in ctx.other_legs(home)]
        own = [one for one in legs if one.network == here.network and one.address != here.address]
        if any(one.first_seen_ns < here.first_seen_ns for one in own):
            return True
        if last_ns - int(streams.since_ns[stream]) < _settled_ns(ctx, source):
            return True
        began_ns = [int(streams.since_ns[row]) for row in ctx.streams_from(home).tolist() if ctx.live[row]]
        return any(last_ns - TOGETHER_NS < one < last_ns + _settled_ns(ctx, source) for one in began_ns)

    def alone_brought(self, universe: int) -> bool:
        """Whether all that came on a universe came by another network's lead, which is in its own place again."""
        return all(self.visit(stream) is Visit.OVER for stream in self._ctx.streams_of(universe).tolist())

    def came_over_ns(self, stream: int) -> int:
        """Since when its lead had arrived on another network when this came from there; 0: it did not."""
        ctx, streams = self._ctx, self._ctx.streams
        source, here_ns = ctx.source_of(stream), int(streams.since_ns[stream])
        found = [0]
        for leg in ctx.other_legs(source):
            if ctx.sources[leg].address == ctx.sources[source].address:
                found += [
                    int(streams.since_ns[row])
                    for row in ctx.streams_from(leg).tolist()
                    if streams.number[row] == streams.number[stream]
                    and abs(here_ns - int(streams.last_arrival_ns[row])) < _settled_ns(ctx, source)
                ]
        return max(found)

    def has_moved(self, finding: Finding) -> bool:
        """Whether what ended here has just begun on another network: it is not over, it arrives there."""
        ctx, streams = self._ctx, self._ctx.streams
        if len(ctx.house.networks) < 2 or not finding.streams or ctx.live[list(finding.streams)].any():
            return False
        for row in finding.streams:
            source = ctx.source_of(row)
            legs = [leg for leg in ctx.other_legs(source) if ctx.sources[leg].address == ctx.sources[source].address]
            there = [other for leg in legs for other in ctx.streams_from(leg).tolist() if ctx.live[other]]
            for other in (other for other in there if streams.number[other] == streams.number[row]):
                begun_ns = int(streams.since_ns[other])
                is_new = ctx.now_ns - begun_ns < _settled_ns(ctx, source) + FOUND_NS
                if is_new and begun_ns > int(streams.last_arrival_ns[row]) - TOGETHER_NS:
                    return True
        return False

    def hold(self, finding: Finding, *, of_any_source: bool) -> Visit | None:
        """Say why an absence lasts though its condition does not hold: all that came since is a visitor. of_any_source:
        any source ends it; else only its own sources do.
        """
        ctx, streams = self._ctx, self._ctx.streams
        # The first frames of what was never heard are a visitor's.
        if len(ctx.house.networks) < 2 or not finding.streams or ctx.live[list(finding.streams)].any():
            return None
        own = {ctx.first_leg(source) for source in ctx.sources_of(finding.streams)}
        came = [
            row
            for universe in finding.universes
            for row in ctx.streams_of(universe).tolist()
            if row not in finding.streams and streams.last_arrival_ns[row] > finding.since_ns
        ]
        came = [row for row in came if of_any_source or ctx.first_leg(ctx.source_of(row)) in own]
        visits = [self.visit(row) for row in came]
        if not visits or None in visits:
            return None
        return Visit.SWAPPED if Visit.SWAPPED in visits else visits[0]


def _settled_ns(ctx: RuleContext, source: int) -> int:
    """After how long it is known whether what belongs here arrives on the other network."""
    return gone_ns(ctx, source) + KEEP_ALIVE_NS
