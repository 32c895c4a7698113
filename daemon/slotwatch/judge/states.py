"""What each universe is shown as, and whether the house's sources have closed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import chain, groupby
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.cluster import Cluster
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lines import line_rows
from slotwatch.judge.rule import Rule, RuleClass
from slotwatch.judge.silences import fed_by_routes, is_visible, stopped_by_routes
from slotwatch.snapshot import STATE_RANKS, Incident, Severity, UniverseState
from slotwatch.wire.universe import Protocol

JUDGED_WITHIN_NS = 1_000_000_000
"""A loss is judged sooner than this after its timeout, unless this listener is at fault."""
AT_REST_NS = 3_000_000_000
"""Levels unchanged for this long: only keep-alive packets are due (ANSI E1.31-2018 6.6.2)."""

_GONE = {"universe-lost": UniverseState.LOST, "universe-missing": UniverseState.MISSING}
_ABSENCE = frozenset({"source-absent", "backup-in-control"})
_BESIDE_THE_DATA = frozenset({"backup-absent", "receiver-differs", "receiver-silent"})
"""Nothing is wrong with the frames of a universe whose backup is away, or whose receiver is silent or set to another
one: its incident says so, not its state."""

_OF_A_LINE = frozenset({"line-differs"})
"""Rules whose incidents name, beside a tapped line, the universe that should be on it: on the network it is right."""


def universe_states(ctx: RuleContext, clusters: Sequence[Cluster]) -> NDArray[np.uint8]:
    """Give each row of the universe table its `UniverseState`, shape (U,)."""
    universes = ctx.universes
    states = np.full(universes.count, UniverseState.STEADY, np.uint8)
    silent = universes.last_arrival_ns == 0
    at_rest = ~silent & (ctx.now_ns - universes.last_change_ns > AT_REST_NS)
    states[at_rest] = UniverseState.AT_REST
    states[silent] = np.where(universes.declared[silent] >= 0, UniverseState.NOT_VISIBLE, UniverseState.STEADY)
    states[silent & is_visible(ctx)] = UniverseState.STEADY
    states[stopped_by_routes(ctx)] = UniverseState.NOT_SENT
    unheard = _unheard(ctx)
    states[unheard & universes.expected & is_visible(ctx)] = UniverseState.NOT_JUDGED
    for cluster in clusters:
        _paint(ctx, states, cluster)
    # No source sends it and none has to: not due yet, not used in this production, or never declared. At rest: its
    # source sends, and its levels do not change.
    idle = (universes.live == 0) & (silent | (universes.declared < 0))
    states[idle & (states <= UniverseState.AT_REST)] = UniverseState.NOT_SENT
    # Silent for longer than its loss timeout, and no rule calls it lost. Mostly this computer was at fault, so that the
    # silence counts from a later moment; or it no longer asks for the universe.
    overdue = (universes.live == 0) & ~silent & (states <= UniverseState.AT_REST)
    overdue &= ctx.now_ns - universes.last_arrival_ns > universes.loss_timeout_ns + JUDGED_WITHIN_NS
    states[overdue] = UniverseState.NOT_JUDGED
    # What this computer sends to one address it does not hear itself.
    states[fed_by_routes(ctx, now=False) & (states == UniverseState.NOT_VISIBLE)] = UniverseState.NOT_SENT
    states[fed_by_routes(ctx) & (universes.last_arrival_ns == 0)] = UniverseState.STEADY
    for case in (case for cluster in clusters for case in cluster.cases if case.is_mixed_up):
        states[list(case.finding.universes)] = UniverseState.NOT_JUDGED
    for network in ctx.listener.links:
        if ctx.listener.is_down(network):
            states[universes.network == network] = UniverseState.NOT_JUDGED
    for network in ctx.listener.unread_ns:
        if ctx.listener.is_blind(network, ctx.now_ns):
            states[(universes.network == network) & (universes.live == 0)] = UniverseState.NOT_JUDGED
    for number, line in ctx.listener.lines.items():
        if line.is_missing:
            states[list(line_rows(ctx, number))] = UniverseState.NOT_JUDGED
    return states


def _unheard(ctx: RuleContext) -> NDArray[np.bool_]:
    """(U,) declared universes of which nothing came yet since this computer's link came back."""
    universes = ctx.universes
    unheard: NDArray[np.bool_] = np.zeros(len(universes.live), np.bool_)
    for network in ctx.listener.links:
        if ctx.now_ns < ctx.listener.silence_counts_from_ns(network):
            unheard |= (universes.network == network) & (universes.live == 0) & (universes.declared >= 0)
    return unheard


def paint_open(states: NDArray[np.uint8], ctx: RuleContext, incidents: Iterable[Incident], resumed: set[int]) -> None:
    """Set the state of universes of which an open incident still speaks, though no rule raises them now.

    What is back from a loss is returning until its incident closes. What was lost or faulty at a restart
    (`resumed`) is so until it comes or is found again; what was back by then is not.
    """
    every = [one for one in incidents if one.closed_ns is None]
    gone = [one for one in every if one.rule in _GONE]
    faulty = [one for one in every if one.id in resumed and _makes_faulty(one)]
    if not gone and not faulty:
        return
    universes = ctx.universes
    names = ctx.names
    names.find_rows(universes.used, ctx.universe_name)
    for incident in gone:
        rows = names.rows_of(incident.universes)
        live = rows[universes.live[rows] > 0]
        # A stream that arrives while networks are swapped has not returned.
        _raise_to(states, live[states[live] != UniverseState.NOT_JUDGED], UniverseState.RETURNING)
        if incident.id in resumed and incident.returned_ns is None and incident.cause != "stream-terminated":
            states[rows[universes.live[rows] == 0]] = _GONE[incident.rule]
    for incident in faulty:
        rows = names.rows_of(incident.universes)
        rows = _judged(ctx, incident.rule, rows[universes.live[rows] > 0])
        carried = _carried_by_backup(ctx, rows) & (incident.rule in _ABSENCE)
        _raise_to(states, rows[carried], UniverseState.ON_BACKUP)
        _raise_to(states, rows[~carried], UniverseState.FAULTY)


def _makes_faulty(incident: Incident) -> bool:
    is_of_listener = CATALOG[incident.rule].rule_class is RuleClass.SELF
    is_alarm = incident.severity > Severity.NOTE and not incident.accepted
    is_of_data = incident.rule not in _GONE and incident.rule not in _BESIDE_THE_DATA and not is_of_listener
    return is_alarm and incident.returned_ns is None and is_of_data


def _paint(ctx: RuleContext, states: NDArray[np.uint8], cluster: Cluster) -> None:
    rules: dict[tuple[str, int, bool], tuple[Rule, list[int]]] = {}
    # Thousands of cases follow one another that are of one rule.
    for rule, cases in groupby(chain(cluster.cases, cluster.explained), attrgetter("rule")):
        if rule.severity is Severity.NOTE or rule.rule_class is RuleClass.SELF or rule.name in _BESIDE_THE_DATA:
            continue
        for case in cases:
            key = rule.name, case.finding.lower, not case.over
            rules.setdefault(key, (rule, []))[1].extend(case.finding.universes)
    for (_, lower, now), (rule, found) in rules.items():
        rows = np.array(found, np.intp)
        rows = _judged(ctx, rule.name, rows[rows < len(states)])
        state = _state_of(rule, cluster)
        if cluster.accepted and rule.name in _GONE:
            state = UniverseState.NOT_SENT  # no source sends it, and none has to
        if state is UniverseState.NOT_SENT:
            states[rows] = state
            continue
        if rule.name in _ABSENCE and now:
            carried = _carried_by_backup(ctx, rows)
            _raise_to(states, rows[carried], UniverseState.ON_BACKUP)
            rows = rows[~carried]
        # What is only noted, or accepted with its reason, stays among the notes and makes no universe faulty.
        if state is UniverseState.FAULTY and (rule.severity - lower <= Severity.NOTE or cluster.accepted):
            continue
        if not now and state is not UniverseState.NOT_JUDGED:
            rows, state = rows[ctx.universes.live[rows] > 0], UniverseState.RETURNING
        _raise_to(states, rows, state)


def _judged(ctx: RuleContext, rule: str, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Of the rows that an incident names, those of the universes that its rule finds fault with."""
    return rows[ctx.universes.protocol[rows] == Protocol.LINE] if rule in _OF_A_LINE else rows


def _raise_to(states: NDArray[np.uint8], rows: NDArray[np.intp], state: UniverseState) -> None:
    states[rows[STATE_RANKS[states[rows]] < state.rank]] = state


def _carried_by_backup(ctx: RuleContext, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """(rows,) whether a declared backup sends each universe while no main source of equal priority does."""
    carried = np.zeros(len(rows), np.bool_)
    for place, row in enumerate(rows.tolist()):
        winner = int(ctx.universes.winner[row])
        source = ctx.declared_source(ctx.source_of(winner)) if winner >= 0 else None
        if source is None or source.role != "backup":
            continue
        others = [ctx.source_of(stream) for stream in ctx.streams_of(row).tolist() if ctx.live[stream]]
        carried[place] = not any(ctx.sources[other].role == "main" for other in others)
    return carried


def _state_of(rule: Rule, cluster: Cluster) -> UniverseState:
    if cluster.rule.rule_class is RuleClass.SELF:
        return UniverseState.NOT_JUDGED
    if rule.name == "universe-lost":
        return UniverseState.NOT_SENT if cluster.cause == "stream-terminated" else UniverseState.LOST
    return UniverseState.MISSING if rule.name == "universe-missing" else UniverseState.FAULTY


def closed_cleanly(ctx: RuleContext) -> bool:
    """Whether all declared universes have ended and every E1.31 stream that ended lately sent so itself.

    Universes that may go on in the dark never prove that anything closed.
    """
    streams, universes = ctx.streams, ctx.universes
    declared, goes_on = _due_to_end(ctx)
    if (universes.live[declared] > 0).any() or (goes_on.any() and not declared.any()):
        return False
    rows = streams.used & (streams.last_arrival_ns > ctx.phase_since_ns) & (streams.protocol == Protocol.E131)
    rows &= ~goes_on[streams.universe]
    if not rows.any():
        return bool((universes.last_arrival_ns[declared] > 0).any())
    return bool(ctx.announced[rows].all())


def say_still_sent(ctx: RuleContext) -> str:
    """Say which declared universes have not ended, of those that do not go on in the dark; "" if none is."""
    declared, _ = _due_to_end(ctx)
    rows = np.flatnonzero(declared & (ctx.universes.live > 0)).tolist()
    return f"Still sent: {ctx.name_universes(rows)}." if rows else ""


def _due_to_end(ctx: RuleContext) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(U,) declared universes that end when the house closes, and those that may go on in the dark."""
    universes, house = ctx.universes, ctx.house
    declared = universes.used & (universes.declared >= 0)
    going_on = house.dark.going_on
    if not going_on:
        return declared, np.zeros_like(declared)
    may = [index for index, one in enumerate(house.universes) if one.id in going_on]
    goes_on = declared & np.isin(universes.declared, may)
    return declared & ~goes_on, goes_on
