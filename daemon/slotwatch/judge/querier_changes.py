"""Changes of the multicast querier: as this listener heard them, and as the switches report them (IGMP-STD-MIB)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from slotwatch.durations import NANOSECONDS
from slotwatch.judge.context import RuleContext

SAME_CHANGE_NS = 300 * NANOSECONDS
"""How far apart this listener and a switch may see one change: tables are read every minute, queries come every
125 s."""


@dataclass(frozen=True, slots=True)
class QuerierChange:
    """One change. `where` is a network's number, or the name of the switch that reports it."""

    where: int | str
    before: str
    after: str
    from_ns: int
    """When the one before was last known."""
    to_ns: int


def heard_changes(ctx: RuleContext) -> Iterator[QuerierChange]:
    """Give the last change on each network, by the queries that came in."""
    for network, (t_ns, before, after) in ctx.listener.queriers.change.items():
        yield QuerierChange(network, before, after, t_ns, t_ns)


def named_changes(ctx: RuleContext) -> Iterator[QuerierChange]:
    """Give the last change that each switch reports, without those that were heard here too."""
    heard = list(heard_changes(ctx))
    for declared in ctx.house.switches:
        record = ctx.listener.switches.get(declared.name)
        moved = record.querier_moved if record else None
        if moved is not None and not any(_is_same(moved.to_ns, moved.after, one) for one in heard):
            yield QuerierChange(declared.name, moved.before, moved.after, moved.from_ns, moved.to_ns)


def _is_same(t_ns: int, after: str, heard: QuerierChange) -> bool:
    return heard.after == after and abs(t_ns - heard.to_ns) <= SAME_CHANGE_NS
