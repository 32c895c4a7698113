"""Incidents as the API's objects."""

from __future__ import annotations

from slotwatch.durations import MICROSECOND_NS, NANOSECONDS
from slotwatch.judge.catalog import CATALOG
from slotwatch.snapshot import Acknowledgement, Incident
from slotwatch.views.answers.faults import AcceptedAnswer, AcknowledgedAnswer, IncidentAnswer
from slotwatch.views.moments import iso


def incident(found: Incident) -> IncidentAnswer:
    """One incident's object, with its timeline. Times are by its own wall offset."""

    def at(t_ns: int | None) -> str | None:
        return iso(t_ns, found.wall_offset_ns)

    return {
        "id": found.id,
        "state": "open" if found.closed_ns is None else "closed",
        "severity": found.severity.word,
        "rule": found.rule,
        "cause": found.cause,
        "confidence": str(found.confidence),
        "universes": list(found.universes),
        "sources": list(found.source_keys),
        "source_names": list(found.sources),
        "fixtures": list(found.fixtures),
        "began_at": at(found.began_ns),
        "opened_at": at(found.opened_ns),
        "closed_at": at(found.closed_ns),
        "returned_at": at(found.returned_ns),
        "lasted_s": lasted_s(found),
        "labels": dict(found.labels),
        "controlled_by": dict(found.controlled_by),
        "rule_page": f"/rules/{found.rule}",
        "summary": found.summary,
        "evidence": list(found.evidence),
        "explains": [{"rule": rule, "universes": list(names)} for rule, names in found.explains],
        "also_possible": list(found.also_possible),
        "still_working": list(found.still_working),
        "next_checks": list(found.next_checks),
        "acknowledged": _acknowledged(found.acknowledged, found.wall_offset_ns),
        "accepted": accepted(found),
        "heard_elsewhere": [
            {
                "listener": one.listener,
                "state": one.state,
                "last_frame_age_s": one.last_frame_age_s,
                "url": one.url or None,
                "asked_at": iso(one.asked_wall_ns, 0),
                "universes": [
                    {
                        "universe": each.universe,
                        "goes_on": each.goes_on,
                        "last_frame_at": iso(each.last_wall_ns, 0),
                    }
                    for each in one.universes
                ],
            }
            for one in found.heard_elsewhere
        ],
        "legs": [{"source": one.source, "network": one.network, "state": one.state} for one in found.legs],
        "flaps": found.flaps,
        "revision": found.revision,
        "part_of": found.part_of or None,
        "urgency": list(urgency(found)),
        "timeline": [{"at": at(entry.t_ns), "what": entry.what, "text": entry.text} for entry in found.timeline],
    }


def urgency(found: Incident) -> tuple[int, int, int, int]:
    """Rank open incidents, the first to be read highest: what lasts, how severe, what the audience can see, newest."""
    rule = CATALOG.get(found.rule)
    rank = rule.reading_rank if rule is not None else 0
    began_us = (found.began_ns + found.wall_offset_ns) // MICROSECOND_NS
    return int(found.returned_ns is None), int(found.severity), rank, began_us


def lasted_s(found: Incident) -> float | None:
    """Length of the fault itself in seconds, without the time it was back or watched after; None while it lasts."""
    end_ns = found.returned_ns if found.returned_ns is not None else found.closed_ns
    return None if end_ns is None else round(max(0, end_ns - found.began_ns - found.back_ns) / NANOSECONDS, 3)


def incident_brief(found: Incident) -> IncidentAnswer:
    """The object of a list: without the timeline, which only its own page needs."""
    brief = incident(found)
    del brief["timeline"]
    return brief


def chosen(incidents: list[Incident], state: str, since_wall_ns: int | None, limit: int) -> list[Incident]:
    """Those of a state (`open`, `closed`, `all`) that were still open at `since`, newest first, at most `limit`.

    Parts of a wider incident are reported in that one.
    """
    found = [
        one
        for one in incidents
        if not one.part_of
        and (state == "all" or (one.closed_ns is None) == (state == "open"))
        and (since_wall_ns is None or one.closed_ns is None or one.closed_ns + one.wall_offset_ns >= since_wall_ns)
    ]
    found.sort(key=lambda one: (one.opened_ns + one.wall_offset_ns, one.id), reverse=True)
    return found[:limit]


def _acknowledged(given: Acknowledgement | None, wall_offset_ns: int) -> AcknowledgedAnswer | None:
    if given is None:
        return None
    return {"by": given.by, "at": iso(given.at_ns, wall_offset_ns), "note": given.note}


def accepted(found: Incident) -> AcceptedAnswer | None:
    """The exception that keeps an incident a note; None if none does."""
    if not found.accepted:
        return None
    return {"reason": found.accepted, "until": found.accepted_until or None, "by": found.accepted_by or None}
