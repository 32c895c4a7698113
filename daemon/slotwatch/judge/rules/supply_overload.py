"""The estimated current of a rack's supply line, or of its neutral, is over its limit.

Estimates, not measurements; the electrician responsible and the local code decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from slotwatch.house.racks import NOTE
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.loads import changed_ns, rack_named, rack_rows
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import COMPETENT, Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity

NEUTRAL = 0
SupplyLine = tuple[str, int]
"""Rack, and number of the supply line; NEUTRAL."""


@dataclass(frozen=True, slots=True)
class SupplyOverloadParameters(RuleParameters):
    on_delay_s: float = number(10.0, "time over the limit before the incident opens")
    over_ratio: float = number(1.005, "ratio of estimate to limit that rounding of levels and loads cannot explain")


@dataclass(frozen=True, slots=True)
class SupplyOverloadFacts(Facts):
    rack: str
    supply: str
    current: str
    limit: str


def supplies_over(ctx: RuleContext, p: SupplyOverloadParameters) -> dict[SupplyLine, None]:
    """(rack, supply) of every supply line, and of the neutral, whose estimate is over its limit."""
    found: dict[SupplyLine, None] = {}
    for rack in ctx.model.stage.loads.racks:
        declared = rack.wired.rack
        if not rack.known:
            continue
        if declared.supply_limit_a is not None:
            over = np.flatnonzero(rack.supply_a > declared.supply_limit_a * p.over_ratio).tolist()
            found |= {(declared.name, number + 1): None for number in over}
        if declared.neutral_limit_a is not None and rack.supply_a.any():
            neutral_a = rack.neutral_upper_a()
            if neutral_a is not None and neutral_a > declared.neutral_limit_a * p.over_ratio:
                found[declared.name, NEUTRAL] = None
    return found


def describe_supply(ctx: RuleContext, key: SupplyLine) -> Finding:
    name, number = key
    rack = rack_named(ctx, name)
    supply = "neutral" if number == NEUTRAL else f"supply line {number}"
    if rack is None:
        # A rack that another house file no longer has: the case closes without further work.
        return Finding(group=f"gone:{name}", since_ns=0, facts=SupplyOverloadFacts(name, supply, "0", "0"))
    declared = rack.wired.rack
    if number == NEUTRAL:
        now_a, limit_a = rack.neutral_upper_a() or 0.0, declared.neutral_limit_a
        how = "Upper figure for phase-cut resistive loads, the worse of both phase sequences."
    else:
        now_a, limit_a = float(rack.supply_a[number - 1]), declared.supply_limit_a
        how = f"The sum of the estimates of {sum(way.supply == number for way in rack.wired.ways)} ways."
    return Finding(
        group=f"rack:{name}",
        since_ns=0,
        universes=rack_rows(ctx, rack),
        facts=SupplyOverloadFacts(name, supply, f"{now_a:.0f}", f"{limit_a or 0:g}"),
        evidence=(how, NOTE),
        weight=now_a / (limit_a or 1),
    )


def bind(setup: RuleSetup, p: SupplyOverloadParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("racks"):
        return ()
    return (RuleBinding(KEYS, partial(supplies_over, p=p), describe_supply, turned_ns=changed_ns),)


RULE = Rule(
    name="supply-overload",
    rule_class=RuleClass.PATCH,
    severity=Severity.WARNING,
    short=ShortWords("supply over its limit", "{n} supplies over their limits", look="Look at the racks page"),
    sentence="{rack} {supply}: estimated {current} A of {limit} A allowed{worst_of}.",
    judged_by=judged_by(SupplyOverloadParameters(), bind),
    facts=SupplyOverloadFacts,
    faults=("F89",),
    next_checks=("Look at the cue on stage; the current is an estimate from levels and declared loads.",),
    next_checks_quiet=(f"Have the current measured {COMPETENT}.",),
)
