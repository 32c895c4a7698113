"""The listener's own faults: link, lost packets, joins."""

from __future__ import annotations

from typing import Any

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.sight import Sight
from slotwatch.judge.watch import KEYS, TICK_NS, Finding, Watch

NANOSECONDS = 1_000_000_000
STALL_SAID_NS = NANOSECONDS


def watches(house: House) -> tuple[Watch, ...]:
    return (
        Watch("link-down", KEYS, networks_down, describe_link, TICK_NS),
        Watch("host-overrun", KEYS, overruns, describe_overrun, TICK_NS),
        Watch("join-failed", KEYS, failed_joins, describe_join),
    )


def networks_down(sight: Sight) -> dict[int, None]:
    if not sight.listener.any_down:
        return {}
    return dict.fromkeys(network for network, link in sight.listener.links.items() if not link.up)


def describe_link(sight: Sight, network: int) -> Finding:
    link = sight.listener.links[network]
    seen = link.seen
    if not seen.present:
        fault = "is gone from this computer"
    elif not seen.up:
        fault = "has no carrier"
    else:
        fault = "has lost its address"
    rows = np.flatnonzero(sight.universes.used & (sight.universes.network == network) & (sight.universes.declared >= 0))
    return Finding(
        group=f"network:{network}",
        since_ns=link.since_ns,
        universes=tuple(rows.tolist()),
        networks=(network,),
        facts={"network": sight.network_name(network), "interface": seen.interface, "fault": fault},
        evidence=(f"The interface {seen.interface} {fault} since {sight.time_of_day(link.since_ns)}.",),
        cause="carrier" if not seen.up else "address" if seen.present else "interface",
    )


def overruns(sight: Sight) -> dict[str, None]:
    listener, now_ns = sight.listener, sight.now_ns
    found: dict[str, None] = {}
    if listener.lost_last_ns and now_ns - listener.lost_last_ns < NANOSECONDS:
        found["lost"] = None
    if listener.stalled_for_ns >= STALL_SAID_NS and now_ns - listener.stalled_last_ns < NANOSECONDS:
        found["stall"] = None
    return found


def describe_overrun(sight: Sight, key: str) -> Finding:
    listener = sight.listener
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


def failed_joins(sight: Sight) -> dict[Any, None]:
    return {key: None for key, join in sight.listener.joins.items() if not join.ok}


def describe_join(sight: Sight, key: Any) -> Finding:
    network, number = key
    join = sight.listener.joins[network, number]
    universes = sight.universes
    rows = np.flatnonzero(
        universes.used & (universes.network == network) & (universes.number == number) & (universes.protocol == 1)
    )
    return Finding(
        group=f"network:{network}",
        since_ns=join.t_ns,
        universes=tuple(rows.tolist()),
        networks=(network,),
        facts={"network": sight.network_name(network), "reason": join.reason or "no reason given."},
        evidence=(f"e131/{number} on {sight.network_name(network)}: {join.reason or 'refused'}",),
    )
