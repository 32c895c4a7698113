"""The house, this listener's own health and readiness as the API's objects."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from typing import cast

import numpy as np

from slotwatch import __version__
from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import House
from slotwatch.judge.takeovers import SEVERAL
from slotwatch.snapshot import Severity, UniverseState
from slotwatch.snapshot.readiness import ExceptionInForce, Reason
from slotwatch.views.answers.faults import ExceptionAnswer, ReadinessAnswer
from slotwatch.views.answers.stage import CountsAnswer, HouseAnswer
from slotwatch.views.answers.usual import TrendAnswer
from slotwatch.views.listener import listener_health
from slotwatch.views.sheet import SENDING, Sheet

ARRIVING = frozenset(
    (
        UniverseState.STEADY,
        UniverseState.AT_REST,
        UniverseState.ON_BACKUP,
        UniverseState.RETURNING,
        UniverseState.FAULTY,
    )
)
"""States of universes whose frames arrive."""


def house(
    sheet: Sheet, declared: House | None = None, host: str = "", own: dict[str, object] | None = None
) -> HouseAnswer:
    """The whole house. `own`: what the front process reports of itself (history, alerts, page), in addition to what
    judging reports."""
    snapshot, view = sheet.snapshot, sheet.snapshot.house
    return {
        "name": view.name,
        "phase": view.phase,
        "phase_since": sheet.iso(view.phase_since_ns),
        "phase_pending": view.phase_pending,
        "version": __version__,
        "vantage": view.vantage,
        "networks": list(view.networks),
        "uptime_s": max(0, snapshot.now_ns - snapshot.started_ns) // NANOSECONDS,
        "started_at": sheet.iso(snapshot.started_ns),
        "at": sheet.at,
        "host": host,
        "time_zone": declared.time_zone if declared else "UTC",
        "house_file": view.house_file,
        "faults": list(view.house_problems),
        "declares_nothing": bool(declared and declared.first_contact),
        "quiet_until": sheet.iso(view.quiet_until_ns),
        "counts": counts(sheet),
        "subscribes": bool(declared and declared.listen.artnet_subscribe),
        "sends": [row.target for row in snapshot.routes if row.state in SENDING],
        "listener": listener_health(sheet, own),
    }


def counts(sheet: Sheet) -> CountsAnswer:
    """How many universes are in each state, and how many incidents are open at each severity."""
    states = np.bincount(sheet.snapshot.universes["state"].astype(np.intp), minlength=len(UniverseState)).tolist()
    is_open = [one for one in sheet.snapshot.incidents if one.closed_ns is None]
    by_severity = Counter(one.severity for one in is_open if not one.accepted)
    return {
        "universes": {state.word: states[state] for state in UniverseState},
        "incidents": {severity.word: by_severity[severity] for severity in reversed(Severity)},
        "acknowledged": sum(one.acknowledged is not None for one in is_open),
        "controlled_by_others": len(controlled_by_others(sheet)),
    }


def controlled_by_others(sheet: Sheet) -> dict[str, str]:
    """Who controls universes that arrive, where by open incidents it is not only the sources that should."""
    states = sheet.universes["state"]
    found: dict[str, str] = {}
    for one in sheet.snapshot.incidents:
        if one.closed_ns is None and one.returned_ns is None and not one.accepted:
            for name, who in one.controlled_by:
                found[name] = who if found.get(name, who) == who else SEVERAL
    return {
        name: who
        for name, who in found.items()
        if (row := sheet.rows_by_name.get(name)) is not None and UniverseState(states[row]) in ARRIVING
    }


OLD = "old-data"
"""The reason that nothing new is known: judging or receiving hangs. No rule can say so."""
UNDECLARED = "nothing-declared"
"""The reason that no universe is declared and nothing arrives: nothing could be found wrong."""
UNREACHED = "recipient-unusable"
"""The reason that nobody would hear of a fault: a secret without which no message can be sent is missing."""

NONE_MISSED = "No universe is declared, so slotwatch cannot say that one is missing."
"""What the half-hour call and `check` say of a house without universes."""
REFUSED = "The house file on disk was refused; the one read before still runs."
"""What mistakes of a house file mean for what is shown."""


def readiness(
    sheet: Sheet, silence: str = "", trouble: Sequence[str] = (), unreached: Sequence[str] = ()
) -> ReadinessAnswer:
    """The half-hour call: judged as if in `show`, whatever the phase.

    silence: why what is known is old; then the house is not ready, for nothing is known of now.   trouble: what this
    listener cannot do now, which says nothing of the show. unreached: to whom no message can be sent; then the house
    is not ready, for it relies on them.
    """
    view, found = sheet.snapshot.house, sheet.snapshot.readiness
    if silence:
        found = found.with_reasons(Reason(OLD, silence))
    if unreached:
        found = found.with_reasons(*(Reason(UNREACHED, text) for text in unreached))
    rows = sheet.snapshot.universes
    is_undeclared = not rows["declared"].any()
    if is_undeclared and not rows["streams"].any():
        found = found.with_reasons(
            Reason(UNDECLARED, "No universe is declared and nothing arrives: nothing can be judged.")
        )
    said = {silence, *unreached, " ".join(unreached)}
    own = [text for text in trouble if text not in said]
    if is_undeclared:
        own.append(NONE_MISSED)
    if view.house_problems:
        first, *others = view.house_problems
        own.append(f"{REFUSED} First mistake: {first}{f' (and {len(others)} more)' if others else ''}.")
    return {
        "ready": found.ready,
        "house": view.name,
        "phase": view.phase,
        "at": sheet.at,
        "reasons": [{"rule": one.rule, "text": one.text, "universes": list(one.universes)} for one in found.reasons],
        "accepted": [
            {
                "rule": one.rule,
                "text": one.text,
                "universes": list(one.universes),
                "reason": one.reason,
                "until": one.until,
                "by": one.by,
            }
            for one in found.accepted
        ],
        "exceptions": [exception_in_force(one) for one in found.exceptions],
        "not_visible": list(found.not_visible),
        "not_judged": list(found.not_judged),
        "receivers_not_known": [one.name for one in sheet.snapshot.receivers if one.state == "not-known"],
        "trouble": own,
        "grows_worse": [cast("TrendAnswer", {**asdict(one), "values": list(one.values)}) for one in found.grows_worse],
    }


def exception_in_force(found: ExceptionInForce) -> ExceptionAnswer:
    """One exception that holds, and what for."""
    return {
        "rule": found.rule,
        "universes": list(found.universes),
        "reason": found.reason,
        "until": found.until,
        "by": found.by,
        "incident": found.incident,
    }
