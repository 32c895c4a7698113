"""What each universe is shown as, and whether the house's sources have closed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from slotwatch.judge.clusters import Cluster
from slotwatch.judge.rule import RuleClass
from slotwatch.judge.rules_loss import is_visible
from slotwatch.judge.sight import Sight
from slotwatch.snapshot import Severity, UniverseState
from slotwatch.wire.universe import Protocol

AT_REST_NS = 3_000_000_000
"""Levels unchanged for so long: only keep-alive is owed (ANSI E1.31-2018 6.6.2)."""


def universe_states(sight: Sight, clusters: Sequence[Cluster]) -> NDArray[np.uint8]:
    """Give each row of the universe table its `UniverseState`, shape (U,)."""
    universes = sight.universes
    states = np.full(universes.count, UniverseState.OK, np.uint8)
    silent = universes.last_arrival_ns == 0
    at_rest = ~silent & (sight.now_ns - universes.last_change_ns > AT_REST_NS)
    states[at_rest] = UniverseState.AT_REST
    states[silent] = np.where(universes.declared[silent] >= 0, UniverseState.NOT_VISIBLE, UniverseState.OK)
    awaited = silent & is_visible(sight) & (universes.declared >= 0)
    # Not heard yet and not yet due, or declared and not used in this production.
    states[awaited] = UniverseState.AT_REST
    for cluster in clusters:
        _paint(states, cluster)
    for network in sight.listener.links:
        if sight.listener.is_down(network):
            states[universes.network == network] = UniverseState.NOT_JUDGED
    return states


def _paint(states: NDArray[np.uint8], cluster: Cluster) -> None:
    own_fault = cluster.rule.rule_class is RuleClass.SELF
    for case in [*cluster.cases, *cluster.explained]:
        if case.rule.severity is Severity.NOTE or case.rule.rule_class is RuleClass.SELF:
            continue
        state = UniverseState.FAULTY
        if case.rule.name == "universe-lost":
            state = UniverseState.STOPPED if cluster.cause == "stream-terminated" else UniverseState.LOST
        elif case.rule.name == "universe-missing":
            state = UniverseState.MISSING
        if own_fault:
            state = UniverseState.NOT_JUDGED
        for row in case.finding.universes:
            if row < len(states):
                states[row] = max(states[row], state) if state != UniverseState.STOPPED else state


def closed_cleanly(sight: Sight) -> bool:
    """Whether all declared universes have ended and every E1.31 stream that ended lately said so itself."""
    streams, universes = sight.streams, sight.universes
    declared = universes.used & (universes.declared >= 0)
    if (universes.live[declared] > 0).any():
        return False
    rows = streams.used & (streams.last_arrival_ns > sight.phase_since_ns) & (streams.protocol == Protocol.E131)
    if not rows.any():
        return bool((universes.last_arrival_ns[declared] > 0).any())
    return bool((streams.last_terminated_ns[rows] >= streams.last_arrival_ns[rows]).all())
