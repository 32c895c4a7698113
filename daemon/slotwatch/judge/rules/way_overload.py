"""The estimated current of a dimmer way is over its limit.

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

Way = tuple[str, int]
"""Rack, and number of the way."""


@dataclass(frozen=True, slots=True)
class WayOverloadParameters(RuleParameters):
    on_delay_s: float = number(10.0, "time over the limit before the incident opens")
    over_ratio: float = number(1.005, "ratio of estimate to limit that rounding of levels and loads cannot explain")


@dataclass(frozen=True, slots=True)
class WayOverloadFacts(Facts):
    rack: str
    way: int
    current: str
    limit: str


def ways_over(ctx: RuleContext, p: WayOverloadParameters) -> dict[Way, None]:
    """(rack, way) of every way whose estimate is over its limit."""
    found: dict[Way, None] = {}
    for rack in ctx.model.stage.loads.racks:
        if rack.known:
            over = np.flatnonzero(rack.way_a > rack.limit_a * p.over_ratio).tolist()
            found |= {(rack.wired.rack.name, rack.wired.ways[i].number): None for i in over}
    return found


def describe_way(ctx: RuleContext, key: Way) -> Finding:
    rack = rack_named(ctx, key[0])
    if rack is None or key[1] > len(rack.wired.ways):
        # A rack that another house file no longer has: the case closes without further work.
        return Finding(group=f"gone:{key[0]}", since_ns=0, facts=WayOverloadFacts(*key, "0", "0"))
    way = rack.wired.ways[key[1] - 1]
    now_a = float(rack.way_a[key[1] - 1])
    return Finding(
        group=f"rack:{key[0]}",
        since_ns=0,
        universes=rack_rows(ctx, rack),
        facts=WayOverloadFacts(key[0], way.number, f"{now_a:.1f}", f"{way.limit_a:g}"),
        evidence=(
            f"Circuit {way.circuit}: {way.load_w:g} W declared at {rack.wired.rack.volts:g} V, "
            f"level {int(rack.levels[key[1] - 1])} of 255.",
            NOTE,
        ),
        weight=now_a / way.limit_a,
    )


def bind(setup: RuleSetup, p: WayOverloadParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("racks"):
        return ()
    return (RuleBinding(KEYS, partial(ways_over, p=p), describe_way, turned_ns=changed_ns),)


RULE = Rule(
    name="way-overload",
    rule_class=RuleClass.PATCH,
    severity=Severity.WARNING,
    short=ShortWords("way over its limit", "{n} ways over their limits", look="Look at the racks page"),
    sentence="{rack} way {way}: estimated {current} A of {limit} A allowed{worst_of}.",
    judged_by=judged_by(WayOverloadParameters(), bind),
    facts=WayOverloadFacts,
    faults=("F89",),
    next_checks=("Look at what is plugged into this circuit; the current is an estimate from levels and loads.",),
    next_checks_quiet=(f"Have the current measured {COMPETENT}.",),
)
