"""What page, API and metrics show of a route, and the words for its state."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.bridge.merge import Input
from slotwatch.bridge.output import LATENCY_EDGES_S, Lane, Output, RouteState, Target, target_of
from slotwatch.house.schema import House, Route
from slotwatch.snapshot.routes import LatencyCounts, LinePort, RouteRow

_SENDING = frozenset({RouteState.RUNNING, RouteState.HOLDING, RouteState.ZERO})


def route_status(lane: Lane, output: Output, entry: Input, house: House, now_ns: int) -> RouteRow:
    """Report what a route does, what it sent and how fast."""
    p50_ms, p99_ms = lane.latency.shares_ms(50, 99)
    return RouteRow(
        name=lane.route.name,
        source=_source(lane.route, house),
        target=output.target.text,
        target_network=_network(output.target, house),
        state=lane.state.value,
        text=_sentence(lane, output.target),
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


def with_line(row: RouteRow, line: LinePort) -> RouteRow:
    """Add how the serial port of a route fares. While it cannot be used nothing is sent, whatever the input does."""
    if not line.trouble:
        return replace(row, line=line)
    if RouteState(row.state) in _SENDING:
        return replace(row, line=line, text=f"Nothing is sent: {line.trouble}.")
    return replace(row, line=line, text=f"{row.text} The line: {line.trouble}.")


def ends_of(route: Route, house: House) -> tuple[str, str, str]:
    """Give `source`, `target` and `target_network` as the row of a route has them."""
    target = target_of(route, 0)
    return _source(route, house), target.text, _network(target, house)


def _network(target: Target, house: House) -> str:
    return house.networks[target.network].name if target.network < len(house.networks) else ""


def _source(route: Route, house: House) -> str:
    networks = house.networks
    suffix = f"@{networks[route.source_network or 0].name}" if len(networks) > 1 else ""
    return f"{route.source}{suffix}"


def _sentence(lane: Lane, target: Target) -> str:
    """Say what a route does."""
    where = f"{target.text}, sent by this computer"
    match lane.state:
        case RouteState.WAITING:
            return "Its input has not been heard since the start, so nothing is sent."
        case RouteState.LISTENING:
            return "Its input has just begun; it is listened to for a moment before anything is sent."
        case RouteState.RUNNING if any(lane.levels):
            return f"Running: {where}."
        case RouteState.RUNNING:
            return f"Running: {where}. All that it sends is at zero, because all of its input is."
        case RouteState.UNDECIDED:
            return "A source of its input fell silent; nothing is sent until another proves that the path is up."
        case RouteState.HOLDING:
            return f"Its input is gone; the last levels are repeated to {where}."
        case RouteState.ZERO:
            return "Its input is gone; zeros are sent, and lamps, movers and relays follow them."
        case RouteState.STOPPED:
            return "Its input is gone, so nothing is sent."
        case RouteState.LOOP:
            return "Stopped by itself: its own output came back into its input."
