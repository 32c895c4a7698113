"""Estimated currents over what the house allows: ways, supply lines, the neutral.

Estimates, not measurements; the electrician responsible and the local code decide.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from slotwatch.house.racks import NOTE
from slotwatch.house.schema import House
from slotwatch.judge.binding import KEYS, Finding, NamedBinding, named
from slotwatch.judge.context import RuleContext
from slotwatch.model.loads import RackLoad

LOOK_NS = 100_000_000
SLACK = 1.005
"""Rounding of levels and declared loads is no overload."""
NEUTRAL = "neutral"


def bindings(house: House) -> tuple[NamedBinding, ...]:
    if not house.racks:
        return ()
    return (
        named("way-overload", KEYS, ways_over, describe_way, LOOK_NS, turned_ns=turned_ns),
        named("supply-overload", KEYS, supplies_over, describe_supply, LOOK_NS, turned_ns=turned_ns),
    )


def turned_ns(ctx: RuleContext, key: Any) -> int:
    """When the levels of a rack's universe last changed."""
    return max((int(ctx.universes.last_change_ns[row]) for row in load_rows(ctx, key[0])), default=ctx.now_ns)


def load_rows(ctx: RuleContext, rack_name: str) -> tuple[int, ...]:
    """Give the row of the universe that drives a rack."""
    rack = _rack(ctx, rack_name)
    return () if rack is None else _rows(ctx, rack)


def ways_over(ctx: RuleContext) -> dict[Any, Any]:
    """(rack, way) of every way whose estimate is over its limit."""
    found: dict[Any, Any] = {}
    for rack in ctx.model.stage.loads.racks:
        if rack.known:
            over = np.flatnonzero(rack.way_a > rack.limit_a * SLACK).tolist()
            found |= {(rack.wired.rack.name, rack.wired.ways[i].number): None for i in over}
    return found


def supplies_over(ctx: RuleContext) -> dict[Any, Any]:
    """(rack, supply) of every supply line, and of the neutral, whose estimate is over its limit."""
    found: dict[Any, Any] = {}
    for rack in ctx.model.stage.loads.racks:
        declared = rack.wired.rack
        if not rack.known:
            continue
        if declared.supply_limit_a is not None:
            over = np.flatnonzero(rack.supply_a > declared.supply_limit_a * SLACK).tolist()
            found |= {(declared.name, number + 1): None for number in over}
        if declared.neutral_limit_a is not None and rack.supply_a.any():
            neutral_a = rack.neutral_upper_a()
            if neutral_a is not None and neutral_a > declared.neutral_limit_a * SLACK:
                found[(declared.name, NEUTRAL)] = None
    return found


def describe_way(ctx: RuleContext, key: Any) -> Finding:
    rack = _rack(ctx, key[0])
    if rack is None or key[1] > len(rack.wired.ways):
        return _gone(key)
    way = rack.wired.ways[key[1] - 1]
    now_a = float(rack.way_a[key[1] - 1])
    return Finding(
        group=f"rack:{key[0]}",
        since_ns=0,
        universes=_rows(ctx, rack),
        facts={"rack": key[0], "way": str(way.number), "current": f"{now_a:.1f}", "limit": f"{way.limit_a:g}"},
        evidence=(
            f"Circuit {way.circuit}: {way.load_w:g} W declared at {rack.wired.rack.volts:g} V, "
            f"level {int(rack.levels[key[1] - 1])} of 255.",
            NOTE,
        ),
        weight=now_a / way.limit_a,
    )


def describe_supply(ctx: RuleContext, key: Any) -> Finding:
    rack = _rack(ctx, key[0])
    if rack is None:
        return _gone(key)
    declared = rack.wired.rack
    if key[1] == NEUTRAL:
        now_a, limit_a, supply = rack.neutral_upper_a() or 0.0, declared.neutral_limit_a, "neutral"
        how = "Upper figure for phase-cut resistive loads, the worse of both phase sequences."
    else:
        now_a, limit_a, supply = float(rack.supply_a[key[1] - 1]), declared.supply_limit_a, f"supply line {key[1]}"
        how = f"Sum of {sum(way.supply == key[1] for way in rack.wired.ways)} ways."
    return Finding(
        group=f"rack:{key[0]}",
        since_ns=0,
        universes=_rows(ctx, rack),
        facts={"rack": key[0], "supply": supply, "current": f"{now_a:.0f}", "limit": f"{limit_a or 0:g}"},
        evidence=(how, NOTE),
        weight=now_a / (limit_a or 1),
    )


def _rack(ctx: RuleContext, name: str) -> RackLoad | None:
    return next((rack for rack in ctx.model.stage.loads.racks if rack.wired.rack.name == name), None)


def _rows(ctx: RuleContext, rack: RackLoad) -> tuple[int, ...]:
    stage = ctx.model.stage
    declared = stage.plan.declared.get(rack.universe)
    if stage.levels is None or declared is None or stage.levels.row[declared] < 0:
        return ()
    return (int(stage.levels.row[declared]),)


def _gone(key: Any) -> Finding:
    """A rack that another house file no longer has: the case closes by itself."""
    facts = {"rack": str(key[0]), "way": str(key[1]), "supply": str(key[1]), "current": "0", "limit": "0"}
    return Finding(group=f"gone:{key[0]}", since_ns=0, facts=facts)
