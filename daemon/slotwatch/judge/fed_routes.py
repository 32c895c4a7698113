"""Routes of this computer that a lost universe feeds: what they send without it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import Route
from slotwatch.judge.context import RuleContext
from slotwatch.judge.silences import is_target

REPORT_LATE_NS = 3 * NANOSECONDS // 10
"""The process of the routes reports ten times a second: if it has not for this long, it may have ended."""
MOST_FED = 4
"""Routes that one incident names."""


def say_fed(ctx: RuleContext, universes: Sequence[int]) -> list[str]:
    """Say of each route that a lost universe feeds what its output does now.

    universes: rows; those that another source carries on are left out. A route takes its input from its declared
    network, or from the first. One whose port is gone, or whose process has ended, is left out: its own incident says
    that it sends nothing.
    """
    if not ctx.house.routes:
        return []
    table = ctx.universes
    lost = {(ctx.universe_id(row), int(table.network[row])) for row in universes if not table.live[row]}
    unable = {route.name for route in ctx.listener.routes.routes if route.trouble}
    unable |= ctx.listener.routes.interrupted(ctx.now_ns, REPORT_LATE_NS).keys()
    fed = [route for route in ctx.house.routes if (route.source, route.source_network or 0) in lost]
    fed = [route for route in fed if route.name not in unable]
    said = [
        f'Route "{route.name}" has {route.source} as its input: without it, {_effect(route)} {_target(route)}.'
        for route in fed[:MOST_FED]
    ]
    if len(fed) > MOST_FED:
        said.append(f"{len(fed) - MOST_FED} more routes have one of these universes as their input.")
    return said


def is_own_output(ctx: RuleContext, source: int) -> bool:
    """Whether this computer itself sends it: from an address of its own, or on loopback what only its routes send.

    A route's Art-Net has no identity but its address, and on loopback everybody has that one.
    """
    if ctx.is_here(source):
        return True
    if not ctx.house.routes or not ctx.runs_here(source):
        return False
    rows = [row for row in ctx.streams_from(source).tolist() if ctx.live[row]]
    sent = np.zeros(ctx.universes.count, np.bool_)
    sent[[ctx.universe_of(row) for row in rows]] = True
    return bool(rows) and bool((is_target(ctx, sent) == sent).all())


def _target(route: Route) -> str:
    if route.target_serial is not None:
        return f"to serial:{route.target_serial}"
    return f"to {route.target} at {route.to_address}" if route.to_address else f"to {route.target}"


def _effect(route: Route) -> str:
    then = {"stop": "sends nothing", "zero": "sends zeros", "hold": "repeats its last levels"}[route.then]
    if not route.hold_s or route.then == "hold":
        return f"it {then}"
    return f"it repeats its last levels for {route.hold_s:g} s, then {then}"
