"""Routes as the API's objects."""

from __future__ import annotations

from slotwatch.snapshot.routes import RouteRow
from slotwatch.views.answers.stage import RouteAnswer


def route_answer(row: RouteRow) -> RouteAnswer:
    """One route: what it does, what it sent and how fast."""
    found: RouteAnswer = {
        "route": row.name,
        "from": row.source,
        "to": row.target,
        "to_network": row.target_network,
        "state": row.state,
        "text": row.text,
        "trouble": row.trouble,
        "for_s": row.state_s,
        "frames": row.frames,
        "latency_ms": {"p50": row.p50_ms, "p99": row.p99_ms},
        "latency": {
            "edges_s": list(row.latency.edges_s),
            "counts": list(row.latency.counts),
            "sum_s": row.latency.sum_s,
        },
        "held": row.is_held,
        "all_zero": row.is_all_zero,
        "then": row.then,
        "priority": row.priority,
        "input_refused_packets": row.input_refused_packets,
        "input_discarded_packets": row.input_discarded_packets,
    }
    if row.line is not None:
        line = row.line
        found["line"] = {
            "port": line.path,
            "frames": line.frames,
            "open": line.open,
            "trouble": line.trouble,
            "reopened": line.reopened,
        }
    return found
