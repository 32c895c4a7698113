"""The half-hour call: ready or not, with the reasons and with what this vantage cannot know."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np

from slotwatch.house.schema import Phase
from slotwatch.judge import accounts
from slotwatch.judge.clusters import Cluster
from slotwatch.judge.rules_loss import is_visible
from slotwatch.judge.sight import Sight
from slotwatch.snapshot import Severity


def judge_readiness(sight: Sight, clusters: Sequence[Cluster], at: datetime) -> dict[str, Any]:
    """Judge as if in `show`. Plain JSON values in the shape of the API's readiness answer."""
    reasons, accepted = [], []
    for cluster in clusters:
        account = accounts.give_account(sight, cluster, at)
        row = {"rule": account.rule, "text": account.summary, "universes": list(account.universes)}
        if cluster.accepted:
            accepted.append({**row, "reason": cluster.accepted})
        elif accounts.severity_of(sight, cluster, Phase.SHOW, at) >= Severity.WARNING:
            reasons.append(row)
    universes = sight.universes
    wanted = universes.used & (universes.declared >= 0) & universes.expected
    hidden = np.flatnonzero(wanted & ~is_visible(sight)).tolist()
    said = {name for reason in reasons for name in reason["universes"]}
    pending = np.flatnonzero(wanted & is_visible(sight) & (universes.live == 0)).tolist()
    waiting = [row for row in pending if sight.universe_name(row) not in said]
    if waiting:
        reasons.append(
            {
                "rule": "universe-missing",
                "text": f"{sight.say_universes(waiting)}: no live data now.",
                "universes": [sight.universe_name(row) for row in waiting],
            }
        )
    return {
        "ready": not reasons,
        "reasons": reasons,
        "accepted": accepted,
        "not_visible": [sight.universe_name(row) for row in hidden],
        "not_judged": [
            sight.universe_name(row)
            for row in np.flatnonzero(wanted).tolist()
            if sight.listener.is_down(int(universes.network[row]))
        ],
    }
