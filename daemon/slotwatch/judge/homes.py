"""Which network a source or a universe belongs to, and what arrives on another one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.context import RuleContext
from slotwatch.wire.universe import Protocol

GONE_E131_NS = 3 * NANOSECONDS // 2
"""Longer than the keep-alive of a universe at rest (ANSI E1.31-2018 6.6.2: at most 1,000 ms)."""
GONE_ARTNET_NS = 5 * NANOSECONDS
"""Longer than Art-Net's keep-alive of 4 s."""
SILENT_NS = NANOSECONDS
TOGETHER_NS = NANOSECONDS
UNDER_WAY_NS = NANOSECONDS // 2
"""Packets that were under way when leads were swapped still arrive for this long; common practice, no source."""
SEVERAL = 2
"""Sources that move to another network in one moment: not each of them did so by itself; common practice, no source."""

Pair = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Displaced:
    """A row of the source table that arrives on another network than its own."""

    source: int
    home: int
    here: int
    since_ns: int
    by_declaration: bool
    """The house file says where it belongs; otherwise it was heard there before."""
    by_memory: bool = False
    """It was heard there before this listener restarted."""
    left_since: bool = False
    """Of such a one: it was heard there after the restart too, so that its move was seen."""


def displaced_sources(ctx: RuleContext) -> list[Displaced]:
    """Find every source that now arrives on another network than its own, and no longer on its own."""
    if len(ctx.house.networks) < 2:
        return []
    streams = ctx.streams
    rows_of: dict[tuple[int, bytes, str], list[int]] = {}
    for row in ctx.sources:
        shown = ctx.sources[row]
        rows_of.setdefault((shown.protocol, shown.source_id, shown.address), []).append(row)
    found = []
    for row in sorted(set(streams.source[ctx.live].tolist())):
        if ctx.is_here(row):
            continue
        shown = ctx.sources[row]
        same = rows_of[shown.protocol, shown.source_id, shown.address]
        others = [other for other in same if other != row]
        if not (one := _by_declaration(ctx, row)):
            home = _home_before(ctx, row)
            one = _by_history(ctx, row, others) if home is None else _by_memory(ctx, row, home, others)
        if one is not None:
            found.append(one)
    return found


def swapped_pairs(ctx: RuleContext, under_way_ns: int = UNDER_WAY_NS) -> list[Pair]:
    """Pairs of networks of which everything that arrives belongs to the other one, in both directions.

    Where nothing arrived on one of them before, or all that did ended in that moment, all that several sources sent on
    the other has moved there at once.
    """
    displaced = displaced_sources(ctx)
    pairs = _exchanged_pairs(ctx, displaced, under_way_ns)
    return [pair for pair in pairs if may_be_swapped(ctx, pair, _since_ns(displaced, pair) + under_way_ns)]


def righted_sources(ctx: RuleContext) -> set[int]:
    """Sources that moved with two networks which were exchanged since this listener started, and are now as the house
    declares them."""
    displaced = displaced_sources(ctx)
    righted = {
        pair
        for pair in _exchanged_pairs(ctx, displaced, UNDER_WAY_NS)
        if not may_be_swapped(ctx, pair, _since_ns(displaced, pair) + UNDER_WAY_NS)
    }
    return {one.source for one in displaced if (min(one.home, one.here), max(one.home, one.here)) in righted}


def _exchanged_pairs(ctx: RuleContext, displaced: list[Displaced], under_way_ns: int) -> list[Pair]:
    """Pairs of networks of which everything that arrives was, or belongs, on the other one."""
    ways = {(one.home, one.here) for one in displaced}
    pairs = {(min(way), max(way)) for way in ways if way[::-1] in ways or _moved_as_one(ctx, displaced, way)}
    return [pair for pair in sorted(pairs) if not _is_any_at_home(ctx, under_way_ns, pair, displaced)]


def _since_ns(displaced: list[Displaced], pair: Pair) -> int:
    return min(one.since_ns for one in displaced if {one.home, one.here} == set(pair))


def _moved_as_one(ctx: RuleContext, displaced: list[Displaced], way: Pair) -> bool:
    """Whether all that several sources sent on one network went to another one in one moment, and nothing that was on
    either before is heard there since."""
    home, here = way
    moved = [one for one in displaced if (one.home, one.here) == way and _was_home(ctx, one)]
    since_ns = [one.since_ns for one in moved if not one.by_memory]
    if len(ctx.whole_sources(one.source for one in moved)) < SEVERAL:
        return False
    if since_ns and max(since_ns) - min(since_ns) > GONE_E131_NS:
        return False
    names, began_ns = {one.source for one in moved}, min(since_ns, default=ctx.started_ns)
    after_ns = max(since_ns, default=ctx.started_ns) + UNDER_WAY_NS
    others = [ctx.sources[row] for row in ctx.sources if row not in names and not ctx.is_here(row)]
    return not any(
        one.last_seen_ns > after_ns
        and (one.network == home or (one.network == here and one.first_seen_ns < began_ns - UNDER_WAY_NS))
        for one in others
    )


def _was_home(ctx: RuleContext, one: Displaced) -> bool:
    """Whether it was heard on its own network, under the same address, before it came here."""
    if one.by_memory:
        return True
    here = ctx.sources[one.source]
    legs = [ctx.sources[leg] for leg in ctx.other_legs(one.source)]
    return any(
        leg.network == one.home and leg.address == here.address and leg.first_seen_ns < here.first_seen_ns
        for leg in legs
    )


def _is_any_at_home(ctx: RuleContext, under_way_ns: int, pair: Pair, displaced: list[Displaced]) -> bool:
    """Whether a source that was there before still arrives on its own network: then no lead was swapped."""
    moved = {one.source for one in displaced}
    since_ns = _since_ns(displaced, pair)
    return any(
        ctx.sources[row].network in pair
        and ctx.sources[row].first_seen_ns < since_ns - under_way_ns
        and ctx.sources[row].last_seen_ns > since_ns + under_way_ns
        for row in ctx.sources
        if row not in moved and not ctx.is_here(row)
    )


def may_be_swapped(ctx: RuleContext, pair: Pair, after_ns: int = 0) -> bool:
    """Whether two networks may still be swapped.

    They are not where a declared source is heard after `after_ns`, on the network of its universe and not on the other.
    What is declared or heard on both looks the same either way.
    """
    universes = ctx.universes
    heard: NDArray[np.bool_] = universes.used & (universes.live > 0) & (universes.last_arrival_ns > after_ns)
    for home, other in (pair, pair[::-1]):
        for row in (heard & (universes.network == home) & (universes.declared >= 0)).nonzero()[0].tolist():
            is_on_both = (
                namesakes(ctx, row) & (universes.network == other) & (heard | (universes.declared >= 0))
            ).any()
            if not is_on_both and _has_own_source(ctx, row):
                return False
    return True


def _has_own_source(ctx: RuleContext, universe: int) -> bool:
    """Whether a source that the house declares is heard on a universe."""
    return any(
        ctx.live[row] and ctx.sources[ctx.source_of(row)].declared_as for row in ctx.streams_of(universe).tolist()
    )


def namesakes(ctx: RuleContext, universe: int) -> NDArray[np.bool_]:
    """(U,) rows of the same protocol and number on other networks."""
    universes = ctx.universes
    same: NDArray[np.bool_] = universes.used & (universes.protocol == universes.protocol[universe])
    same &= (universes.number == universes.number[universe]) & (universes.network != universes.network[universe])
    return same


def elsewhere(ctx: RuleContext, universe: int) -> list[int]:
    """Rows of the same universe that are heard on networks that it is not declared on."""
    return [row for row in strays(ctx, universe) if ctx.universes.live[row] > 0]


def strays(ctx: RuleContext, universe: int) -> list[int]:
    """Rows of the same universe on networks that it is not declared on, also those that have ended."""
    return (namesakes(ctx, universe) & (ctx.universes.declared < 0)).nonzero()[0].tolist()


def declared_elsewhere(ctx: RuleContext, universe: int) -> list[int]:
    """Rows of the same universe on networks that it is declared on and where it is not heard now."""
    universes = ctx.universes
    silent = (universes.live == 0) | (ctx.now_ns - universes.last_arrival_ns > SILENT_NS)
    rows: list[int] = (namesakes(ctx, universe) & (universes.declared >= 0) & silent).nonzero()[0].tolist()
    return rows


def is_declared_everywhere(ctx: RuleContext, universe: int) -> bool:
    """Whether every one of several networks is to carry a universe of this protocol and number."""
    universes = ctx.universes
    others = universes.network[namesakes(ctx, universe) & (universes.declared >= 0)].tolist()
    declared = len(set(others)) + bool(universes.declared[universe] >= 0)
    return declared >= max(2, len(ctx.house.networks))


def went_home(ctx: RuleContext, universe: int) -> bool:
    """Whether an undeclared universe that ended here has since come back to the network that it is declared on."""
    universes, streams = ctx.universes, ctx.streams
    homes = (namesakes(ctx, universe) & (universes.declared >= 0) & (universes.live > 0)).nonzero()[0]
    here = {ctx.first_leg(source) for source in ctx.sources_of(ctx.streams_of(universe).tolist())}
    first_ns = universes.first_frame_ns[universe]
    return any(
        ctx.live[row] and streams.since_ns[row] > first_ns and ctx.first_leg(ctx.source_of(row)) in here
        for home in homes.tolist()
        for row in ctx.streams_of(home).tolist()
    )


def _by_declaration(ctx: RuleContext, source: int) -> Displaced | None:
    """Whether all that a source sends here is declared, and silent, on one other network alone."""
    streams, universes = ctx.streams, ctx.universes
    rows = [row for row in ctx.streams_from(source).tolist() if ctx.live[row]]
    homes: set[int] = set()
    for row in rows:
        universe = ctx.universe_of(row)
        if universes.declared[universe] >= 0:
            return None
        declared = declared_elsewhere(ctx, universe)
        if not declared:
            return None
        homes.update(int(universes.network[one]) for one in declared)
    since_ns = int(streams.since_ns[rows].min()) if rows else ctx.now_ns
    # What its own network carries may come a keep-alive later.
    if len(homes) != 1 or ctx.now_ns - since_ns < gone_ns(ctx, source):
        return None
    return Displaced(source, homes.pop(), ctx.sources[source].network, since_ns, by_declaration=True)


def _by_history(ctx: RuleContext, source: int, others: list[int]) -> Displaced | None:
    """Whether a source was heard first on another network, under the same address, and moved from there."""
    shown, streams = ctx.sources[source], ctx.streams
    earlier = [other for other in others if ctx.sources[other].first_seen_ns < shown.first_seen_ns]
    if not earlier:
        return None
    before = ctx.sources[min(earlier, key=lambda other: ctx.sources[other].first_seen_ns)]
    rows = [row for row in ctx.streams_from(source).tolist() if ctx.live[row]]
    since_ns = int(streams.since_ns[rows].min())
    moved = ctx.now_ns - before.last_seen_ns > gone_ns(ctx, source) and since_ns > before.last_seen_ns - TOGETHER_NS
    if not moved or before.network == shown.network:
        return None
    return Displaced(source, before.network, shown.network, since_ns, by_declaration=False)


def _home_before(ctx: RuleContext, source: int) -> int | None:
    """Give the network on which a source was heard under this address before a restart; None: it is not known."""
    shown = ctx.sources[source]
    name = ctx.before.homes.get((shown.declared_as, shown.address)) if shown.declared_as else None
    names = [network.name for network in ctx.house.networks]
    return names.index(name) if name in names else None


def is_as_before(ctx: RuleContext, source: int) -> bool:
    """Whether a source is heard on the network, and under the address, that it had before a restart."""
    return _home_before(ctx, source) == ctx.sources[source].network


def are_as_before(ctx: RuleContext, pair: Pair) -> bool:
    """Whether every source whose network of before a restart is known, and is one of two, is heard there; False if none
    is known."""
    rows = set(ctx.streams.source[ctx.live].tolist())
    known = [row for row in rows if _home_before(ctx, row) in pair]
    return bool(known) and all(is_as_before(ctx, row) for row in known)


def group_of(ctx: RuleContext, pair: Pair) -> str:
    """The group of what is said of two networks: by their names, for a house file may list them in another order."""
    return "networks:" + ":".join(sorted(ctx.network_name(network) for network in pair))


def _by_memory(ctx: RuleContext, source: int, home: int, others: list[int]) -> Displaced | None:
    """Whether a source arrives on another network than before a restart, and not on that one."""
    shown = ctx.sources[source]
    rows = [row for row in ctx.streams_from(source).tolist() if ctx.live[row]]
    since_ns, gone = int(ctx.streams.since_ns[rows].min()), gone_ns(ctx, source)
    at_home = [other for other in others if ctx.sources[other].network == home]
    is_there = any(ctx.now_ns - ctx.sources[other].last_seen_ns <= gone for other in at_home)
    # What its own network carries may come a keep-alive later.
    if home == shown.network or is_there or ctx.now_ns - since_ns < gone:
        return None
    return Displaced(
        source, home, shown.network, since_ns, by_declaration=False, by_memory=True, left_since=bool(at_home)
    )


def gone_ns(ctx: RuleContext, source: int) -> int:
    """After how long a silence a source no longer sends somewhere."""
    return GONE_ARTNET_NS if ctx.sources[source].protocol == Protocol.ARTNET else GONE_E131_NS
