"""The house's dimmer racks as the model estimates them, found by name."""

from __future__ import annotations

from slotwatch.judge.context import RuleContext
from slotwatch.model.loads import RackLoad


def changed_ns(ctx: RuleContext, key: tuple[str, int]) -> int:
    """When the levels of a rack's universe last changed; now if it is not heard."""
    return max((int(ctx.universes.last_change_ns[row]) for row in load_rows(ctx, key[0])), default=ctx.now_ns)


def load_rows(ctx: RuleContext, rack_name: str) -> tuple[int, ...]:
    """Give the row of the universe that drives a rack."""
    rack = rack_named(ctx, rack_name)
    return () if rack is None else rack_rows(ctx, rack)


def rack_named(ctx: RuleContext, name: str) -> RackLoad | None:
    """Give a rack's estimates; None if the house has no such rack."""
    return next((rack for rack in ctx.model.stage.loads.racks if rack.wired.rack.name == name), None)


def rack_rows(ctx: RuleContext, rack: RackLoad) -> tuple[int, ...]:
    """Give the row of the universe that drives a rack; none before its first frame."""
    stage = ctx.model.stage
    declared = stage.plan.declared.get(rack.universe)
    if stage.levels is None or declared is None or stage.levels.row[declared] < 0:
        return ()
    return (int(stage.levels.row[declared]),)
