"""What each universe is shown as, and whether the house's sources have closed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from slotwatch.judge.clusters import Cluster
from slotwatch.judge.context import RuleContext
from slotwatch.judge.rule import Rule, RuleClass
from slotwatch.judge.rules_loss import is_visible, stopped_by_routes
from slotwatch.snapshot import Incident, Severity, UniverseState
from slotwatch.wire.universe import Protocol

AT_REST_NS = 3_000_000_000
"""Levels unchanged for so long: only keep-alive is owed (ANSI E1.31-2018 6.6.2)."""

_RESUMED = {"universe-lost": UniverseState.LOST, "universe-missing": UniverseState.MISSING}


def universe_states(ctx: RuleContext, clusters: Sequence[Cluster]) -> NDArray[np.uint8]:
    """Give each row of the universe table its `UniverseState`, shape (U,)."""
    universes = ctx.universes
    states = np.full(universes.count, UniverseState.OK, np.uint8)
    silent = universes.last_arrival_ns == 0
    at_rest = ~silent & (ctx.now_ns - universes.last_change_ns > AT_REST_NS)
    states[at_rest] = UniverseState.AT_REST
    states[silent] = np.where(universes.declared[silent] >= 0, UniverseState.NOT_VISIBLE, UniverseState.OK)
    states[silent & is_visible(ctx)] = UniverseState.OK
    states[stopped_by_routes(ctx)] = UniverseState.STOPPED
    for cluster in clusters:
        _paint(states, cluster)
    # Nobody sends it and nobody has to: not due yet, not used in this production, or never declared. At rest is
    # who sends and does not change.
    idle = (universes.live == 0) & (silent | (universes.declared < 0))
    states[idle & (states <= UniverseState.AT_REST)] = UniverseState.STOPPED
    for network in ctx.listener.links:
        if ctx.listener.is_down(network):
            states[universes.network == network] = UniverseState.NOT_JUDGED
    return states


def paint_resumed(states: NDArray[np.uint8], ctx: RuleContext, incidents: Iterable[Incident]) -> None:
    """Show what was lost or missing before a restart so, until it comes or is found anew."""
    silent = (ctx.universes.used & (ctx.universes.live == 0)).nonzero()[0].tolist()
    for incident in incidents:
        state = _RESUMED.get(incident.rule)
        if state is None or incident.cause == "stream-terminated":
            continue
        named = set(incident.universes)
        states[[row for row in silent if ctx.universe_name(row) in named]] = state


def _paint(states: NDArray[np.uint8], cluster: Cluster) -> None:
    rules: dict[tuple[str, int], tuple[Rule, list[int]]] = {}
    for case in [*cluster.cases, *cluster.explained]:
        key = case.rule.name, case.finding.lower
        rules.setdefault(key, (case.rule, []))[1].extend(case.finding.universes)
    for (_, lower), (rule, found) in rules.items():
        if rule.severity is Severity.NOTE or rule.rule_class is RuleClass.SELF:
            continue
        state = _state_of(rule, cluster)
        # What is only noted, or accepted with its reason, stands among the notes and makes no universe faulty.
        if state is UniverseState.FAULTY and (rule.severity - lower <= Severity.NOTE or cluster.accepted):
            continue
        rows = np.array([row for row in found if row < len(states)], np.intp)
        states[rows] = state if state is UniverseState.STOPPED else np.maximum(states[rows], np.uint8(state))


def _state_of(rule: Rule, cluster: Cluster) -> UniverseState:
    if cluster.rule.rule_class is RuleClass.SELF:
        return UniverseState.NOT_JUDGED
    if rule.name == "universe-lost":
        return UniverseState.STOPPED if cluster.cause == "stream-terminated" else UniverseState.LOST
    return UniverseState.MISSING if rule.name == "universe-missing" else UniverseState.FAULTY


def closed_cleanly(ctx: RuleContext) -> bool:
    """Whether all declared universes have ended and every E1.31 stream that ended lately said so itself."""
    streams, universes = ctx.streams, ctx.universes
    declared = universes.used & (universes.declared >= 0)
    if (universes.live[declared] > 0).any():
        return False
    rows = streams.used & (streams.last_arrival_ns > ctx.phase_since_ns) & (streams.protocol == Protocol.E131)
    if not rows.any():
        return bool((universes.last_arrival_ns[declared] > 0).any())
    return bool((streams.last_terminated_ns[rows] >= streams.last_arrival_ns[rows]).all())
