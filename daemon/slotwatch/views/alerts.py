"""Open incidents as alerts for Alertmanager, which groups, silences and pages.

Labels are bounded: rule, cause, severity, house, the universe where it is one, and what the house file adds. Everything
else is an annotation, which may change while an alert lives. Incidents that share all labels are one alert.
"""

from __future__ import annotations

from collections import defaultdict

from slotwatch.house.schema import House
from slotwatch.snapshot import Incident, Severity, Snapshot
from slotwatch.views.moments import iso

MOST_EVIDENCE = 10
Labels = tuple[tuple[str, str], ...]


def alerts(snapshot: Snapshot, house: House) -> dict[Labels, dict[str, object]]:
    """Alerts of all open incidents from the house's minimum severity on; accepted ones are left out."""
    least = Severity[house.alerts.minimum_severity.upper()]
    groups: dict[Labels, list[Incident]] = defaultdict(list)
    for one in snapshot.incidents:
        if one.closed_ns is None and not one.accepted and one.severity >= least:
            groups[labels(one, snapshot.house.name, house)].append(one)
    return {key: _alert(key, group) for key, group in groups.items()}


def labels(one: Incident, house_name: str, house: House) -> Labels:
    found = dict(house.alerts.labels)
    found |= {
        "alertname": "".join(part.capitalize() for part in one.known_as.split("-")),
        "rule": one.known_as,
        "severity": one.severity.word,
        "house": house_name,
    }
    if one.cause:
        found["cause"] = one.cause  # what follows at once by another cause is another alert, and fires by itself
    if len(one.universes) == 1:
        found["universe"] = one.universes[0]
    return tuple(sorted(found.items()))


def _alert(key: Labels, group: list[Incident]) -> dict[str, object]:
    """One postable alert, as Alertmanager's API v2 describes it, without its end."""
    group.sort(key=lambda one: one.began_ns)
    evidence = [line for one in group for line in one.evidence][:MOST_EVIDENCE]
    annotations = {
        "summary": " ".join(one.summary for one in group),
        "evidence": "\n".join(evidence),
        "next_checks": "\n".join(dict.fromkeys(line for one in group for line in one.next_checks)),
        "incidents": ", ".join(str(one.id) for one in group),
        "universes": ", ".join(dict.fromkeys(name for one in group for name in one.universes)),
        "acknowledged": ", ".join(one.acknowledged.by for one in group if one.acknowledged is not None),
    }
    return {
        "labels": dict(key),
        "annotations": {name: text for name, text in annotations.items() if text},
        "startsAt": iso(group[0].began_ns, group[0].wall_offset_ns),
    }
