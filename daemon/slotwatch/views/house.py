"""The house, this listener's own health and readiness as the API's objects."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from slotwatch import __version__
from slotwatch.house.schema import House
from slotwatch.judge.catalog import CATALOG
from slotwatch.snapshot import Severity, UniverseState
from slotwatch.views.answers.faults import ReadinessAnswer
from slotwatch.views.answers.stage import CountsAnswer, HouseAnswer
from slotwatch.views.counted import from_zero
from slotwatch.views.incidents import accepted
from slotwatch.views.moments import NANOSECONDS
from slotwatch.views.sheet import Sheet
from slotwatch.views.sources import written

SENDING = ("running", "holding", "zero")
"""States of a route in which this computer puts frames onto a network or a line."""


def house(
    sheet: Sheet, declared: House | None = None, host: str = "", own: dict[str, Any] | None = None
) -> HouseAnswer:
    """The whole house. `own`: what the front process says of itself (history, alerts, page), beside judging's words."""
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
        "sends": [str(row["to"]) for row in snapshot.routes if row.get("state") in SENDING],
        "listener": {**from_zero(view.listener), **written(sheet, view.listener), **(own or {})},
    }


def counts(sheet: Sheet) -> CountsAnswer:
    """How many universes stand in each state, and how many incidents are open at each severity."""
    states = np.bincount(sheet.snapshot.universes["state"], minlength=len(UniverseState)).tolist()
    is_open = [one for one in sheet.snapshot.incidents if one.closed_ns is None]
    loud = Counter(one.severity for one in is_open if not one.accepted)
    return {
        "universes": {state.word: states[state] for state in UniverseState},
        "incidents": {severity.word: loud[severity] for severity in reversed(Severity)},
        "acknowledged": sum(one.acknowledged is not None for one in is_open),
    }


def readiness(sheet: Sheet) -> ReadinessAnswer:
    """The half-hour call: judged as if in `show`, whatever the phase. Judging's own verdict where it gives one."""
    snapshot = sheet.snapshot
    found = _readiness(sheet)
    given = snapshot.readiness
    reasons = given.get("reasons", found["reasons"])
    return {
        "ready": bool(given.get("ready", not reasons)),
        "house": snapshot.house.name,
        "phase": snapshot.house.phase,
        "at": sheet.at,
        "reasons": reasons,
        "accepted": given.get("accepted", found["accepted"]),
        "exceptions": given.get("exceptions", found["exceptions"]),
        "not_visible": given.get("not_visible", found["not_visible"]),
        "not_judged": given.get("not_judged", found["not_judged"]),
    }


def _readiness(sheet: Sheet) -> dict[str, Any]:
    is_open = [one for one in sheet.snapshot.incidents if one.closed_ns is None]
    rows = [{"rule": one.rule, "text": one.summary, "universes": list(one.universes)} for one in is_open]
    loud = [_loudness_in_show(one.rule, one.severity) >= Severity.WARNING for one in is_open]
    lists, names = sheet.universes, sheet.snapshot.universe_names

    def in_state(state: UniverseState) -> list[str]:
        return [
            name
            for name, now, declared, expected in zip(
                names, lists["state"], lists["declared"], lists["expected"], strict=True
            )
            if now == state and declared and expected
        ]

    return {
        "reasons": [row for row, one, counts in zip(rows, is_open, loud, strict=True) if counts and not one.accepted],
        "accepted": [{**row, **(accepted(one) or {})} for row, one in zip(rows, is_open, strict=True) if one.accepted],
        "exceptions": [],
        "not_visible": in_state(UniverseState.NOT_VISIBLE),
        "not_judged": in_state(UniverseState.NOT_JUDGED),
    }


def _loudness_in_show(rule: str, now: Severity) -> Severity:
    """What a rule would be in `show`; the phase may have made this incident quieter."""
    row = CATALOG.get(rule)
    return max(now, row.severity) if row is not None else now
