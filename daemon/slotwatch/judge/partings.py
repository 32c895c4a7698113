"""What stopped in one moment by several causes: the kinds that its sources and its networks show themselves."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.among import is_among
from slotwatch.judge.context import RuleContext
from slotwatch.judge.loss_group import LossGroup, Name
from slotwatch.judge.raised import Raised
from slotwatch.judge.stops import KEEP_ALIVE_ARTNET_NS, KEEP_ALIVE_E131_NS, SLACK_NS, Stops
from slotwatch.model.destinations import is_multicast
from slotwatch.wire.universe import Protocol

MEMBERSHIPS_NS = 125 * NANOSECONDS
"""Query interval (RFC 2236 8.2). With a querier silent for longer, groups may run out in any order."""
FEW = 64
"""More sources than this computer is."""
SOME = 2
"""So many sources must continue elsewhere for a silent network to be down, rather than left by each of them."""


def own_reasons(ctx: RuleContext, stops: Stops, group: LossGroup) -> dict[Name, str]:
    """What sources themselves show of why they stopped, for each member of which it is known.

    died: nothing of the source came since. no-levels: it still sends other packets. a part: the source still sends,
    without it, and other groups still arrive or its next list no longer has it. several: one of them died, of another a
    part did.
    """
    streams, rows = ctx.streams, np.array(sorted(group.streams), np.intp)
    after_ns = max(group.from_ns, group.to_ns) + SLACK_NS
    came_on = streams.last_packet_ns[rows] > stops.last_ns[rows] + NANOSECONDS
    died = ctx.model.sources.last_seen_ns[streams.source[rows]] <= after_ns
    if died.all() or came_on.all():
        return {}  # the usual loss of thousands of universes
    part = ~came_on & ~died & _left_others_behind(ctx, rows, after_ns)
    words = np.select([came_on, died, part], ["no-levels", "died", "a part"], "")
    kinds = dict(zip(rows.tolist(), words.tolist(), strict=True))
    for source in set(streams.source[rows[~died]].tolist()):
        listed, mine = ctx.sources[source].listed, rows[(streams.source[rows] == source) & ~came_on]
        if listed is not None and ctx.sources[source].listed_at_ns > after_ns:
            e131 = mine[streams.protocol[mine] == Protocol.E131]
            kinds |= dict.fromkeys(e131[~is_among(streams.number[e131], listed)].tolist(), "a part")
    found = {}
    for name, case in group.members.items():
        kind = {kinds[row] for row in case.finding.streams if row in kinds} if case.holds else set()
        if kind >= {"died", "a part"} and not stops.terminated[list(case.finding.streams)].any():
            found[name] = "several"
        elif len(kind) == 1 and kind != {""}:
            found[name] = kind.pop()
    return found


def _left_others_behind(ctx: RuleContext, rows: NDArray[np.intp], after_ns: int) -> NDArray[np.bool_]:
    """(R,) streams that ended while others of their source and network came on, and not by a loss of multicast."""
    streams = ctx.streams
    came_on = streams.used & (streams.last_packet_ns > after_ns)
    came_on[rows] = False
    goes_on: NDArray[np.bool_] = is_among(streams.source[rows], streams.source[came_on])
    multicast = is_multicast(streams.destination_kind)
    for network in set(streams.network[rows].tolist()):
        querier = ctx.listener.queriers.newest(network)
        forgets = querier is not None and after_ns - querier.last_ns > MEMBERSHIPS_NS
        if forgets or not (came_on & multicast & (streams.network == network)).any():
            goes_on &= ~((streams.network[rows] == network) & multicast[rows])
    return goes_on


def dead_or_cut_off(ctx: RuleContext, group: LossGroup) -> dict[Name, str]:
    """Of members whose sources have several leads: whether all of those stopped, or others continue.

    several: one of its sources died, and another continues elsewhere. Where a whole network went dark, that a source
    ended there says nothing of the source.
    """
    known = {name: _fates(ctx, group, case) for name, case in group.members.items()}
    found = {name: fates.pop() if len(fates) == 1 else "several" for name, fates in known.items() if fates}
    dark = dark_networks(ctx, group)
    if not dark:
        return found
    for name, case in group.members.items():
        if set(case.finding.networks) <= dark:
            found[name] = "dark network"
        elif found.get(name) == "died":
            found[name] = "beside it"
    return found


def dark_networks(ctx: RuleContext, group: LossGroup, *, before: bool = False) -> set[int]:
    """Networks on which all data ended in that moment, while several of its sources continue elsewhere.

    before: or ended before it. What this listener's own link cut off, or it cannot read, shows nothing of a network.
    """
    if len(ctx.house.networks) < 2:
        return set()
    after_ns = max(group.from_ns, group.to_ns) + SLACK_NS
    sources = ctx.model.sources
    keep_alive_ns = np.where(sources.protocol == Protocol.ARTNET, KEEP_ALIVE_ARTNET_NS, KEEP_ALIVE_E131_NS)
    before_ns = min(group.from_ns, group.to_ns) - keep_alive_ns
    was_there = sources.used & (before | (sources.last_seen_ns >= before_ns))
    is_lit = was_there & (sources.last_seen_ns > after_ns)
    for network in range(len(ctx.house.networks)):
        lit = np.flatnonzero(is_lit & (sources.network == network)).tolist()
        # What this computer itself sends does not show that anything arrives.
        if len(lit) <= FEW and all(ctx.is_here(row) for row in lit):
            is_lit[lit] = False
    silent = set(sources.network[was_there].tolist()) - set(sources.network[is_lit].tolist())
    silent = {network for network in silent if not ctx.listener.is_unread(network, ctx.now_ns)}
    silent = {network for network in silent if not ctx.listener.was_down(network, int(before_ns.min()), after_ns)}
    if not silent or not is_lit.any():
        return set()
    alive = {ctx.first_leg(row) for row in np.flatnonzero(is_lit).tolist()}
    ended: dict[int, set[int]] = {}
    for row in np.flatnonzero(was_there & is_among(sources.network, sorted(silent))).tolist():
        if not ctx.is_here(row):
            ended.setdefault(int(sources.network[row]), set()).add(ctx.first_leg(row))
    return {network for network, legs in ended.items() if len(legs & alive) >= SOME}


def _fates(ctx: RuleContext, group: LossGroup, case: Raised) -> set[str]:
    """What became of the sources of a case, as `fate_of` says it; empty where it is not known of one of them."""
    fates = {fate_of(ctx, group, source) for source in ctx.sources_of(case.finding.streams)}
    return set() if "" in fates else fates


def fate_of(ctx: RuleContext, group: LossGroup, source: int) -> str:
    """Say of a source with several leads whether all of them stopped with a group (died) or one continues (goes on).

    Empty where neither is known.
    """
    after_ns = max(group.from_ns, group.to_ns) + SLACK_NS
    legs = {source, *ctx.other_legs(source)}
    if len({ctx.sources[leg].network for leg in legs}) < 2:
        return ""
    last_ns: dict[int, int] = {}
    for leg in legs:
        row = ctx.sources[leg]
        last_ns[row.network] = max(last_ns.get(row.network, 0), row.last_seen_ns)
    goes_on = max(last_ns.values()) > after_ns
    if goes_on and _returned(ctx, legs, after_ns):
        return ""  # it was away, whole or in part: that it sends now is not evidence
    is_artnet = ctx.sources[source].protocol == Protocol.ARTNET
    rest_ns = (KEEP_ALIVE_ARTNET_NS if is_artnet else KEEP_ALIVE_E131_NS) + SLACK_NS
    if not goes_on and min(last_ns.values()) < min(group.from_ns, group.to_ns) - rest_ns:
        return ""  # another lead was out before: what ended now may be the last lead or the source
    return "goes on" if goes_on else "died"


def _returned(ctx: RuleContext, sources: Iterable[int], after_ns: int) -> bool:
    """Whether streams of these sources came back from a silence since then."""
    return any((ctx.streams.return_ns[ctx.streams_from(one)] > after_ns).any() for one in sources)
