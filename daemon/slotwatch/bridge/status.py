"""What page, API and metrics show of a route."""

from __future__ import annotations

from slotwatch.bridge.merge import Input
from slotwatch.bridge.output import LATENCY_EDGES_S, Lane, Output, RouteState
from slotwatch.house.schema import House
from slotwatch.snapshot.routes import LatencyCounts, RouteRow
from slotwatch.wire.universe import UniverseId


def route_status(lane: Lane, output: Output, entry: Input, house: House, now_ns: int) -> RouteRow:
    """Report what a route does, what it sent and how fast."""
    network = lane.route.source_network or 0
    p50_ms, p99_ms = lane.latency.shares_ms(50, 99)
    source: UniverseId = lane.route.source
    suffix = f"@{house.networks[network].name}" if len(house.networks) > 1 else ""
    networks = house.networks
    return RouteRow(
        name=lane.route.name,
        source=f"{source}{suffix}",
        target=output.target.text,
        target_network=networks[output.target.network].name if output.target.network < len(networks) else "",
        state=lane.state.value,
        text=lane.say(output.target),
        state_s=round((now_ns - lane.since_ns) / 1e9, 1),
        frames=lane.sent_frames,
        p50_ms=p50_ms,
        p99_ms=p99_ms,
        latency=LatencyCounts(LATENCY_EDGES_S, tuple(lane.latency.counts), lane.latency.sum_s),
        is_held=lane.state is RouteState.HOLDING,
        is_all_zero=lane.contributes and not any(lane.levels),
        then=lane.route.then,
        priority=lane.route.priority,
        input_refused_packets=entry.refused_sources,
        input_discarded_packets=entry.discarded,
    )
