"""The half-hour call: ready or not, with the reasons and with what this vantage cannot know."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np

from slotwatch.house.schema import Phase
from slotwatch.judge import accounts
from slotwatch.judge.clusters import Cluster
from slotwatch.judge.context import RuleContext
from slotwatch.judge.exceptions import standing
from slotwatch.judge.silences import fed_by_routes, is_visible
from slotwatch.snapshot import Severity


def judge_readiness(ctx: RuleContext, clusters: Sequence[Cluster], at: datetime) -> dict[str, Any]:
    """Judge as if in `show`. Plain JSON values in the shape of the API's readiness answer."""
    reasons: list[dict[str, Any]] = []
    accepted: list[dict[str, Any]] = []
    for cluster in clusters:
        account = accounts.give_account(ctx, cluster, at)
        row = {"rule": account.rule, "text": account.summary, "universes": list(account.universes)}
        if cluster.accepted:
            why = cluster.accepted
            accepted.append({**row, "reason": why.reason, "until": why.until or None, "by": why.by or None})
        elif accounts.severity_of(ctx, cluster, Phase.SHOW, at) >= Severity.WARNING:
            reasons.append(row)
    universes = ctx.universes
    wanted = universes.used & (universes.declared >= 0) & universes.expected
    own = fed_by_routes(ctx)
    hidden = np.flatnonzero(wanted & ~is_visible(ctx) & ~own).tolist()
    said = {name for row in (*reasons, *accepted) for name in row["universes"]}
    pending = np.flatnonzero(wanted & is_visible(ctx) & (universes.live == 0) & ~own).tolist()
    waiting = [row for row in pending if ctx.universe_name(row) not in said and not _may_be_absent(ctx, row, at)]
    if waiting:
        reasons.append(
            {
                "rule": "universe-missing",
                "text": f"{ctx.say_universes(waiting)}: no live data now.",
                "universes": [ctx.universe_name(row) for row in waiting],
            }
        )
    if hidden and len(hidden) == int(np.count_nonzero(wanted)):
        # Nothing is known to be wrong, because nothing is seen: that is no readiness.
        reasons.append(
            {
                "rule": "not-visible",
                "text": f"Blind: 0 of {len(hidden)} universes seen from this port.",
                "universes": [ctx.universe_name(row) for row in hidden],
            }
        )
    return {
        "ready": not reasons,
        "reasons": reasons,
        "accepted": accepted,
        "exceptions": _exceptions(ctx, at),
        "not_visible": [ctx.universe_name(row) for row in hidden],
        "not_judged": [
            ctx.universe_name(row)
            for row in np.flatnonzero(wanted).tolist()
            if ctx.listener.is_down(int(universes.network[row]))
        ],
    }


def _may_be_absent(ctx: RuleContext, row: int, at: datetime) -> bool:
    """Whether it is accepted that nobody sends a universe."""
    return any(standing(ctx, rule, (row,), frozenset(), at) for rule in ("universe-missing", "universe-lost"))


def _exceptions(ctx: RuleContext, at: datetime) -> list[dict[str, Any]]:
    """Every exception that holds now, of the house file and made from incidents, whether it covers anything or not."""
    today = at.astimezone(ctx.zone).date()
    declared = [
        {
            "rule": row.rule,
            "universes": [str(universe) for universe in row.universes],
            "reason": row.reason,
            "until": None if row.until is None else row.until.isoformat(),
            "by": None,
            "incident": None,
        }
        for row in ctx.house.accepted
        if row.until is None or today <= row.until
    ]
    made = [
        {
            "rule": one.rule,
            "universes": list(one.universes),
            "reason": one.reason,
            "until": one.until,
            "by": one.by,
            "incident": one.incident,
        }
        for one in ctx.exceptions
    ]
    return declared + made
