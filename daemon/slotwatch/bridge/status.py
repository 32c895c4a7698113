"""What page, API and metrics show of a route."""

from __future__ import annotations

from typing import Any

from slotwatch.bridge.output import LATENCY_EDGES_S, Lane, Output, RouteState
from slotwatch.house.schema import House
from slotwatch.wire.universe import UniverseId


def route_status(lane: Lane, output: Output, house: House, now_ns: int) -> dict[str, Any]:
    """Say what a route does, what it sent and how fast, as plain values."""
    network = lane.route.source_network or 0
    p50_ms, p99_ms = lane.latency.shares_ms(50, 99)
    source: UniverseId = lane.route.source
    suffix = f"@{house.networks[network].name}" if len(house.networks) > 1 else ""
    return {
        "route": lane.route.name,
        "from": f"{source}{suffix}",
        "to": output.target.text,
        "to_network": house.networks[output.target.network].name if output.target.network < len(house.networks) else "",
        "state": lane.state.value,
        "text": lane.say(output.target),
        "for_s": round((now_ns - lane.since_ns) / 1e9, 1),
        "frames": lane.sent_frames,
        "latency_ms": {"p50": p50_ms, "p99": p99_ms},
        "latency": {"edges_s": LATENCY_EDGES_S, "counts": list(lane.latency.counts), "sum_s": lane.latency.sum_s},
        "held": lane.state is RouteState.HOLDING,
        "all_zero": lane.contributes and not any(lane.levels),
        "then": lane.route.then,
        "priority": lane.route.priority,
    }
