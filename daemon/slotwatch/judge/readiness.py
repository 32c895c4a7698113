"""The half-hour call: ready or not, with the reasons and with what this vantage cannot know."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House, Phase
from slotwatch.judge import drafting
from slotwatch.judge.cluster import Cluster
from slotwatch.judge.context import RuleContext
from slotwatch.judge.exceptions import standing
from slotwatch.judge.silences import fed_by_routes, is_visible
from slotwatch.snapshot import Incident, MadeException, Severity
from slotwatch.snapshot.readiness import AcceptedReason, ExceptionInForce, Readiness, Reason


def judge_readiness(
    ctx: RuleContext,
    clusters: Sequence[Cluster],
    at: datetime,
    not_judged: NDArray[np.bool_],
    is_open: Iterable[Incident] = (),
) -> Readiness:
    """Judge as if in `show`. at: wall-clock time. not_judged: (U,) universes in this state.

    is_open: incidents that are open and in no cluster. What came and went four times just now may go again before the
    audience is in; what was open before a restart is so until it is looked at again.
    """
    reasons: list[Reason] = []
    accepted: list[AcceptedReason] = []
    for cluster in clusters:
        why = cluster.accepted
        if not why and drafting.severity_of(ctx, cluster, Phase.PRE_SHOW, at) < Severity.WARNING:
            continue
        said, rule = drafting.say(ctx, cluster), cluster.rule.name
        names = tuple(map(ctx.universe_name, said.about.universes))
        if why:
            accepted.append(AcceptedReason(rule, said.summary, names, why.reason, why.until or None, why.by or None))
        else:
            reasons.append(Reason(rule, said.summary, names))
    reasons += [
        Reason(one.rule, one.summary, one.universes)
        for one in is_open
        if one.severity >= Severity.WARNING and not one.accepted
    ]
    universes = ctx.universes
    wanted = universes.used & (universes.declared >= 0) & universes.expected
    own = fed_by_routes(ctx)
    hidden = np.flatnonzero(wanted & ~is_visible(ctx) & ~own).tolist()
    named = {name for one in reasons for name in one.universes} | {name for one in accepted for name in one.universes}
    pending = np.flatnonzero(wanted & is_visible(ctx) & (universes.live == 0) & ~own).tolist()
    waiting = [row for row in pending if ctx.universe_name(row) not in named and not _may_be_absent(ctx, row, at)]
    if waiting:
        text = f"{ctx.say_universes(waiting)}: no live data now."
        reasons.append(Reason("universe-missing", text, tuple(map(ctx.universe_name, waiting))))
    if hidden and len(hidden) == int(np.count_nonzero(wanted)):
        # Nothing is known to be wrong, because nothing is seen: the house is not ready.
        text = f"Blind: 0 of {len(hidden)} universes seen from this port."
        reasons.append(Reason("not-visible", text, tuple(map(ctx.universe_name, hidden))))
    return Readiness(
        reasons=tuple(reasons),
        accepted=tuple(accepted),
        exceptions=exceptions_in_force(ctx.house, ctx.exceptions, at.astimezone(ctx.zone).date()),
        not_visible=tuple(map(ctx.universe_name, hidden)),
        not_judged=tuple(map(ctx.universe_name, np.flatnonzero(wanted & not_judged).tolist())),
    )


def exceptions_in_force(house: House, made: Iterable[MadeException], today: date) -> tuple[ExceptionInForce, ...]:
    """Return the exceptions that hold: those of the house file today, and all that were made from incidents."""
    declared = (
        ExceptionInForce(
            rule=row.rule,
            universes=tuple(str(universe) for universe in row.universes),
            reason=row.reason,
            until=None if row.until is None else row.until.isoformat(),
            by=None,
            incident=None,
        )
        for row in house.accepted
        if row.until is None or today <= row.until
    )
    of_incidents = (
        ExceptionInForce(one.rule, one.universes, one.reason, one.until, one.by, one.incident) for one in made
    )
    return (*declared, *of_incidents)


def _may_be_absent(ctx: RuleContext, row: int, at: datetime) -> bool:
    """Whether it is accepted that a universe is not sent."""
    return any(standing(ctx, rule, (row,), frozenset(), at) for rule in ("universe-missing", "universe-lost"))
