"""The listener's own faults: link, lost packets, joins."""

from __future__ import annotations

from typing import Any

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, TICK_NS, Finding, RuleBinding
from slotwatch.judge.context import RuleContext

NANOSECONDS = 1_000_000_000
STALL_SAID_NS = NANOSECONDS
COUNTED_NS = NANOSECONDS
"""How long packets count as being lost after the last was: they are described once more in this time, with all."""


def bindings(house: House) -> tuple[RuleBinding, ...]:
    return (
        RuleBinding("link-down", KEYS, networks_down, describe_link, TICK_NS),
        RuleBinding("host-overrun", KEYS, overruns, describe_overrun, TICK_NS, refresh_s=0.5),
        RuleBinding("join-failed", KEYS, failed_joins, describe_join),
    )


def networks_down(ctx: RuleContext) -> dict[int, None]:
    if not ctx.listener.any_down:
        return {}
    return dict.fromkeys(network for network, link in ctx.listener.links.items() if not link.up)


def describe_link(ctx: RuleContext, network: int) -> Finding:
    link = ctx.listener.links[network]
    seen = link.seen
    if not seen.present:
        fault = "is gone from this computer"
    elif not seen.up:
        fault = "has no carrier"
    else:
        fault = "has lost its address"
    rows = np.flatnonzero(ctx.universes.used & (ctx.universes.network == network) & (ctx.universes.declared >= 0))
    return Finding(
        group=f"network:{network}",
        since_ns=link.since_ns,
        universes=tuple(rows.tolist()),
        networks=(network,),
        facts={"network": ctx.network_name(network), "interface": seen.interface, "fault": fault},
        evidence=(f"The interface {seen.interface} {fault} since {ctx.time_of_day(link.since_ns)}.",),
        cause="carrier" if not seen.up else "address" if seen.present else "interface",
    )


def overruns(ctx: RuleContext) -> dict[str, None]:
    listener, now_ns = ctx.listener, ctx.now_ns
    found: dict[str, None] = {}
    if listener.lost_last_ns and now_ns - listener.lost_last_ns < COUNTED_NS:
        found["lost"] = None
    if listener.stalled_for_ns >= STALL_SAID_NS and now_ns - listener.stalled_last_ns < NANOSECONDS:
        found["stall"] = None
    return found


def describe_overrun(ctx: RuleContext, key: str) -> Finding:
    listener = ctx.listener
    if key == "stall":
        late = wording.seconds(listener.stalled_for_ns)
        return Finding(
            group="host",
            since_ns=listener.stalled_last_ns - listener.stalled_for_ns,
            facts={"habit": f"did not get to judging for {late}"},
            evidence=(f"The judging loop was {late} late; arrival times are the kernel's and stay right.",),
            cause="stall",
        )
    return Finding(
        group="host",
        since_ns=next(
            (interval.start_ns for interval in reversed(listener.not_judged) if interval.reason == "host-overrun"),
            listener.lost_last_ns,
        ),
        facts={"habit": f"lost {listener.lost_count} packets before they were read"},
        evidence=(
            f"{listener.kernel_drops} dropped by the kernel and {listener.ring_drops} overwritten in memory "
            "since the start; the network did not lose them.",
        ),
        cause="overflow",
        weight=1.0,
    )


def failed_joins(ctx: RuleContext) -> dict[Any, None]:
    return {key: None for key, join in ctx.listener.joins.items() if not join.ok}


def describe_join(ctx: RuleContext, key: Any) -> Finding:
    network, number = key
    join = ctx.listener.joins[network, number]
    universes = ctx.universes
    rows = np.flatnonzero(
        universes.used & (universes.network == network) & (universes.number == number) & (universes.protocol == 1)
    )
    return Finding(
        group=f"network:{network}",
        since_ns=join.t_ns,
        universes=tuple(rows.tolist()),
        networks=(network,),
        facts={"network": ctx.network_name(network), "reason": join.reason or "no reason given."},
        evidence=(f"e131/{number} on {ctx.network_name(network)}: {join.reason or 'refused'}",),
    )
