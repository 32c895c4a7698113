"""Open incidents as alerts for Alertmanager, which groups, silences and pages.

Labels are bounded: rule, cause, severity, house, the universe where it is one, and what the house file adds.
Alertmanager distinguishes alerts by them alone, so they stay as they were when the incident had settled. Only another
severity gives another alert: it may have to wake somebody else. Everything else is an annotation, which may change
while an alert lives. Incidents that share all labels are one alert.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from typing import TypedDict

from slotwatch.house.schema import House
from slotwatch.judge.incidents import SETTLE_NS
from slotwatch.snapshot import Incident, Severity, Snapshot
from slotwatch.views.moments import iso_wall
from slotwatch.views.notice import link_to

MOST_EVIDENCE = 10
SEPARATOR = ", "
Labels = tuple[tuple[str, str], ...]


class Alert(TypedDict):
    """One postable alert, as Alertmanager's API v2 describes it, without its end."""

    labels: dict[str, str]
    annotations: dict[str, str]
    startsAt: str


def alerts(
    snapshot: Snapshot, house: House, page: str = "", before: Mapping[Labels, Alert] | None = None
) -> dict[Labels, Alert]:
    """Alerts of all open incidents from the house's minimum severity on; accepted ones are left out.

    page: address of the page, as others reach it; empty if they cannot. before: alerts that are open. One whose
    incident has another severity now stays open beside its new one: nothing is over.
    """
    least = Severity[house.alerts.minimum_severity.upper()]
    groups: dict[Labels, list[Incident]] = defaultdict(list)
    held: dict[int, list[Labels]] = defaultdict(list)
    for key, alert in (before or {}).items():
        for number in alert["annotations"]["incidents"].split(SEPARATOR):
            held[int(number)].append(key)
    for one in snapshot.incidents:
        is_new = snapshot.now_ns - one.opened_ns < SETTLE_NS
        if one.closed_ns is None and not one.accepted and one.severity >= least and not is_new:
            key = labels(one, snapshot.house.name, house)
            for each in {key, *(had for had in held[one.id] if _without_severity(had) == _without_severity(key))}:
                groups[each].append(one)
    return {key: _alert(key, group, page) for key, group in groups.items()}


def labels(one: Incident, house_name: str, house: House) -> Labels:
    """What makes the alert of an incident."""
    rule, cause, universe = one.settled_as
    found = dict(house.alerts.labels)
    found |= {
        "alertname": "".join(part.capitalize() for part in rule.split("-")),
        "rule": rule,
        "severity": one.severity.word,
        "house": house_name,
    }
    if cause:
        found["cause"] = cause  # what follows at once by another cause is another alert, and fires by itself
    if universe:
        found["universe"] = universe
    return tuple(sorted(found.items()))


def _without_severity(key: Labels) -> Labels:
    return tuple(label for label in key if label[0] != "severity")


def _alert(key: Labels, group: list[Incident], page: str) -> Alert:
    group.sort(key=lambda one: one.began_ns)
    evidence = [line for one in group for line in one.evidence][:MOST_EVIDENCE]
    annotations = {
        "summary": " ".join(one.summary for one in group),
        "evidence": "\n".join(evidence),
        "next_checks": "\n".join(dict.fromkeys(line for one in group for line in one.next_checks)),
        "incidents": SEPARATOR.join(str(one.id) for one in group),
        "universes": SEPARATOR.join(dict.fromkeys(name for one in group for name in one.universes)),
        "acknowledged": SEPARATOR.join(one.acknowledged.by for one in group if one.acknowledged is not None),
        "link": link_to(page, group),
    }
    return {
        "labels": dict(key),
        "annotations": {name: text for name, text in annotations.items() if text},
        "startsAt": iso_wall(group[0].began_ns + group[0].wall_offset_ns),
    }
