"""Incidents as plain values that outlive a process and a boot: all times on the wall clock, nothing but JSON inside."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Literal

import msgspec

from slotwatch.snapshot import (
    Acknowledgement,
    Confidence,
    HouseView,
    Incident,
    IncidentLeg,
    MadeException,
    PhaseMemory,
    Severity,
    Snapshot,
    TimelineEntry,
)
from slotwatch.snapshot.elsewhere import HeardElsewhere
from slotwatch.snapshot.rig_check import RigCheckMemory, RigCheckRow, RigFlag
from slotwatch.snapshot.stage import LampHours
from slotwatch.snapshot.switches import SwitchRow
from slotwatch.views.kept import (
    KeptException,
    KeptIncident,
    KeptLampHours,
    KeptPhase,
    KeptRigCheck,
)

_OLD_WORDS = {"said": "resumed"}
"""Words of a timeline that older versions wrote."""


HEARD_NS = 10_000_000_000
"""Longer than any keep-alive: a source that sent within this time is there."""
MOST_HOMES = 1024
"""Addresses of declared sources whose network is kept."""
UPTIME_TICK_NS = 10_000_000
"""sysUpTime counts hundredths of a second (RFC 3418)."""


def record(found: Incident) -> KeptIncident:
    """Turn an incident into its record; `incident_of` is the inverse."""
    offset = found.wall_offset_ns
    given = found.acknowledged
    return {
        "id": found.id,
        "rule": found.rule,
        "severity": int(found.severity),
        "cause": found.cause,
        "confidence": str(found.confidence),
        "began_wall_ns": found.began_ns + offset,
        "opened_wall_ns": found.opened_ns + offset,
        "closed_wall_ns": None if found.closed_ns is None else found.closed_ns + offset,
        "returned_wall_ns": None if found.returned_ns is None else found.returned_ns + offset,
        "labels": dict(found.labels),
        "universes": list(found.universes),
        "sources": list(found.sources),
        "source_keys": list(found.source_keys),
        "fixtures": list(found.fixtures),
        "summary": found.summary,
        "evidence": list(found.evidence),
        "explains": [(rule, list(names)) for rule, names in found.explains],
        "also_possible": list(found.also_possible),
        "still_working": list(found.still_working),
        "next_checks": list(found.next_checks),
        "acknowledged": None
        if given is None
        else {"by": given.by, "at_wall_ns": given.at_ns + offset, "note": given.note},
        "timeline": [(entry.t_ns + offset, entry.text, entry.what) for entry in found.timeline],
        "accepted": found.accepted,
        "accepted_until": found.accepted_until,
        "accepted_by": found.accepted_by,
        "heard_elsewhere": [asdict(one) for one in found.heard_elsewhere],
        "legs": [{"source": one.source, "network": one.network, "state": one.state} for one in found.legs],
        "flaps": found.flaps,
        "back_ns": found.back_ns,
        "revision": found.revision,
        "group": found.group,
        "part_of": found.part_of,
        "outage": found.outage,
        "known_as": found.known_as,
        "settled_as": found.settled_as,
        "controlled_by": dict(found.controlled_by),
        "paces_hz": dict(found.paces_hz),
    }


def incident_of(kept: KeptIncident, wall_offset_ns: int) -> Incident:
    """Read a record back; its times become monotonic ones of a clock with this offset (they may lie before its start).

    KeyError, TypeError or ValueError if it is not a record.
    """
    given = kept["acknowledged"]
    closed, returned = kept["closed_wall_ns"], kept.get("returned_wall_ns")
    known_as = str(kept.get("known_as", kept["rule"]))
    # A record of an older version does not say what its alert keeps: it had the labels of each moment.
    of_then = known_as, kept["cause"], kept["universes"][0] if len(kept["universes"]) == 1 else ""
    return Incident(
        id=int(kept["id"]),
        rule=kept["rule"],
        severity=Severity(kept["severity"]),
        cause=kept["cause"],
        confidence=Confidence(kept["confidence"]),
        began_ns=kept["began_wall_ns"] - wall_offset_ns,
        opened_ns=kept["opened_wall_ns"] - wall_offset_ns,
        closed_ns=None if closed is None else closed - wall_offset_ns,
        # Older records have neither a return nor labels.
        returned_ns=None if returned is None else returned - wall_offset_ns,
        labels=tuple(kept.get("labels", {}).items()),
        universes=tuple(kept["universes"]),
        sources=tuple(kept["sources"]),
        fixtures=tuple(kept["fixtures"]),
        summary=kept["summary"],
        evidence=tuple(kept["evidence"]),
        explains=tuple((rule, tuple(names)) for rule, names in kept["explains"]),
        also_possible=tuple(kept["also_possible"]),
        still_working=tuple(kept["still_working"]),
        next_checks=tuple(kept["next_checks"]),
        acknowledged=given and Acknowledgement(given["by"], given["at_wall_ns"] - wall_offset_ns, given["note"]),
        timeline=tuple(
            TimelineEntry(at - wall_offset_ns, text, _OLD_WORDS.get(what, what)) for at, text, what in kept["timeline"]
        ),
        accepted=kept["accepted"],
        accepted_until=kept.get("accepted_until", ""),
        accepted_by=kept.get("accepted_by", ""),
        flaps=kept["flaps"],
        back_ns=int(kept.get("back_ns", 0)),
        revision=kept["revision"],
        wall_offset_ns=wall_offset_ns,
        # Records of before there were keys have names alone.
        source_keys=tuple(kept.get("source_keys", kept["sources"])),
        heard_elsewhere=msgspec.convert(kept.get("heard_elsewhere", ()), tuple[HeardElsewhere, ...]),
        legs=tuple(IncidentLeg(**one) for one in kept.get("legs", ())),
        group=str(kept.get("group", "")),
        part_of=int(kept.get("part_of", 0)),
        outage=str(kept.get("outage", "")),
        known_as=known_as,
        settled_as=msgspec.convert(kept.get("settled_as", of_then), tuple[str, str, str]),
        controlled_by=tuple(kept.get("controlled_by", {}).items()),
        paces_hz=tuple((name, float(hz)) for name, hz in kept.get("paces_hz", {}).items()),
    )


def acknowledge(kept: KeptIncident, at_ms: int, given: int, by: str, note: str) -> None:
    """Put into a record what the acknowledgements' own table says: who acknowledged it, or (given 0) took that back."""
    at_ns = at_ms * 1_000_000
    if at_ns < kept["opened_wall_ns"] - 1_000_000_000:
        return  # of an earlier incident that had the same number
    before = kept["acknowledged"]
    if given and not (before and (before["by"], before["note"]) == (by, note)):
        kept["acknowledged"] = {"by": by, "at_wall_ns": at_ns, "note": note}
        text = f"Acknowledged by {by}{': ' + note if note else ''}."
    elif before and not given:
        kept["acknowledged"] = None
        text = f"The acknowledgement by {before['by']} was taken back."
    else:
        return
    kept["timeline"] = [*kept["timeline"], (at_ns, text, "acknowledged")]
    kept["revision"] += 1


def phase_record(view: HouseView, wall_offset_ns: int) -> KeptPhase:
    """The phase as it holds, as plain values."""
    return {
        "phase": view.phase,
        "since_wall_ns": view.phase_since_ns + wall_offset_ns,
        "pending": view.phase_pending,
        "timetable_wall_ns": view.phase_timetable_wall_ns,
    }


def phase_of(kept: KeptPhase) -> PhaseMemory:
    """Read what `phase_record` made. KeyError, TypeError or ValueError if it is none."""
    timetable_ns = kept["timetable_wall_ns"]
    return PhaseMemory(
        str(kept["phase"]),
        int(kept["since_wall_ns"]),
        str(kept["pending"]),
        None if timetable_ns is None else int(timetable_ns),
    )


def up_times_record(switches: Iterable[SwitchRow], wall_offset_ns: int) -> dict[str, object]:
    """When each switch answered last, on the wall clock, and its up time then in hundredths of a second."""
    return {
        one.name: [one.answered_ns + wall_offset_ns, (one.answered_ns - one.began_ns) // UPTIME_TICK_NS]
        for one in switches
        if one.answered_ns
    }


def up_times_of(kept: Mapping[str, object]) -> list[tuple[str, int, int]]:
    """(switch, when it answered, up time) of what `up_times_record` wrote; what is odd is left out."""
    found = []
    for name, row in kept.items():
        if isinstance(row, list) and len(row) == 2 and all(type(value) is int and value >= 0 for value in row):
            found.append((name, row[0], row[1]))
    return found


def homes_record(snapshot: Snapshot, known: Mapping[str, object]) -> dict[str, object] | None:
    """Which declared sources are heard on which network, by name, and under which address; None: it is not known now.

    known: the record before this one. What is heard on several networks under one address may be moving just now: it
    stays as it was known. While networks are swapped every row stays; what this listener heard move belongs where it
    was first. At the start leads may be found swapped, and nobody has said so yet. Of more than MOST_HOMES each source
    keeps those that were known, then those heard first: later ones may be forged.
    """
    names, now_ns, started_ns = snapshot.house.networks, snapshot.now_ns, snapshot.started_ns
    open_ones = (one for one in snapshot.incidents if one.closed_ns is None)
    swapped_ns = [one.began_ns for one in open_ones if one.rule == "networks-swapped"]
    # What a listener hears first while they are swapped already is not where it belongs.
    if len(names) < 2 or now_ns - started_ns < HEARD_NS or any(one_ns < started_ns for one_ns in swapped_ns):
        return None
    before = {(source, address): network for network, source, address in homes_of(known)[0]}
    found: dict[tuple[str, str], dict[str, bool]] = {}
    for one in sorted(snapshot.sources, key=lambda one: one.first_seen_ns):
        if one.declared_as and one.network < len(names):
            is_there = now_ns - one.last_seen_ns < HEARD_NS
            found.setdefault((one.declared_as, one.address), {})[names[one.network]] = is_there
    homes: dict[tuple[str, str], str] = dict(before) if swapped_ns else {}
    for key, on in found.items():
        here = [name for name, is_there in on.items() if is_there]
        if swapped_ns:
            if len(on) > len(here) == 1:
                homes.setdefault(key, next(iter(on)))
        elif len(here) == 1:
            homes[key] = here[0]
        elif here and key in before:
            homes[key] = before[key]
    nth: Counter[str] = Counter()
    ranked = []
    for key in sorted(homes, key=lambda key: key not in before):
        ranked.append((nth[key[0]], [homes[key], *key]))
        nth[key[0]] += 1
    kept = [row for _, row in sorted(ranked)[:MOST_HOMES]]
    return {"rows": sorted(kept, key=lambda row: row[1:])}


def homes_of(kept: Mapping[str, object]) -> tuple[list[tuple[str, str, str]], list[int]]:
    """(network, source, address) of what `homes_record` wrote, and the places of rows that are odd."""
    rows = kept.get("rows", [])
    if not isinstance(rows, list):
        return [], [0]
    sound, odd = [], []
    for place, row in enumerate(rows[:MOST_HOMES]):
        if isinstance(row, list) and len(row) == 3 and all(isinstance(one, str) and one for one in row):
            sound.append((row[0], row[1], row[2]))
        else:
            odd.append(place)
    return sound, odd


def rig_check_record(found: RigCheckRow) -> dict[str, object]:
    """A rig check as plain values; `rig_check_of` reads what outlives a restart."""
    return {
        "running": found.running,
        "started_ns": found.started_ns,
        "started_wall_ms": found.started_wall_ms,
        "total": found.total,
        "done": [{**asdict(one.fixture), "t_ns": one.t_ns, "no_light": one.no_light} for one in found.done],
        "no_light": [{**asdict(one.fixture), "t_ns": one.t_ns} for one in found.no_light],
        "left": [{"position": one.position, "fixtures": [asdict(row) for row in one.fixtures]} for one in found.left],
        "circuits_left": list(found.circuits_left),
        "flagged": [
            {"fixtures": list(one.fixtures), "fixture": one.fixtures[0], "text": one.text, "t_ns": one.t_ns}
            for one in found.flagged
        ],
        "note": found.note,
    }


def rig_check_of(kept: KeptRigCheck) -> RigCheckMemory:
    """Read what `rig_check_record` made. ValueError if it is none."""
    try:
        return RigCheckMemory(
            running=bool(kept["running"]),
            started_ns=int(kept["started_ns"]),
            started_wall_ms=int(kept.get("started_wall_ms", 0)),
            done={str(row["fixture"]): int(row.get("t_ns", 0)) for row in kept["done"]},
            no_light={str(row["fixture"]): int(row.get("t_ns", 0)) for row in kept.get("no_light", ())},
            flagged=tuple(
                RigFlag(tuple(map(str, row["fixtures"])), str(row["text"]), int(row.get("t_ns", 0)))
                for row in kept["flagged"]
            ),
        )
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise ValueError(f"this is not a rig check: {error!r}") from None


def lamp_hours_of(kept: KeptLampHours) -> LampHours:
    """Read what `LampHours.as_object` made. ValueError if it is none."""
    kind: Literal["circuit", "fixture"] = "circuit" if "circuit" in kept else "fixture"
    try:
        return LampHours(
            kind=kind,
            name=str(kept.get(kind, "")),
            on_h=float(kept.get("on_h", 0)),
            full_equivalent_h=float(kept.get("full_equivalent_h", 0)),
            switched_on=int(kept.get("switched_on", 0)),
            rated_life_h=None,
            band=None,
        )
    except (TypeError, ValueError) as error:
        raise ValueError(f"these are not the hours of a lamp: {error!r}") from None


def exception_record(made: MadeException) -> KeptException:
    """An exception as plain values."""
    return {
        "incident": made.incident,
        "rule": made.rule,
        "universes": list(made.universes),
        "sources": list(made.sources),
        "reason": made.reason,
        "by": made.by,
        "made_wall_ns": made.made_wall_ns,
        "until_wall_ns": made.until_wall_ns,
    }


def exception_of(kept: KeptException) -> MadeException:
    """Read what `exception_record` made. KeyError, TypeError or ValueError if it is none."""
    return MadeException(
        int(kept["incident"]),
        str(kept["rule"]),
        tuple(map(str, kept["universes"])),
        tuple(map(str, kept["sources"])),
        str(kept["reason"]),
        str(kept["by"]),
        int(kept["made_wall_ns"]),
        int(kept["until_wall_ns"]),
    )
