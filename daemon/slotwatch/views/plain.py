"""The page without scripts: one HTML page of headings, sentences and tables, as of the moment of the request."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.rules.universe_missing import UniverseMissingParameters
from slotwatch.snapshot import Incident, Severity, UniverseState
from slotwatch.views.answers.traffic import LegAnswer, SourceAnswer, UniverseAnswer
from slotwatch.views.house import ARRIVING, REFUSED, controlled_by_others, counts, readiness
from slotwatch.views.house_time import house_moment, read_at, zone_named
from slotwatch.views.incidents import incident, urgency
from slotwatch.views.moments import number
from slotwatch.views.sheet import Sheet
from slotwatch.views.sources import sources
from slotwatch.views.templates import environment
from slotwatch.views.universes import universes

RELOAD_S = 10
TO_LOOK_AT = (
    UniverseState.LOST,
    UniverseState.MISSING,
    UniverseState.FAULTY,
    UniverseState.ON_BACKUP,
    UniverseState.NOT_JUDGED,
)


def plain_page(
    sheet: Sheet,
    trouble: Sequence[str] = (),
    *,
    silence: str = "",
    declares_nothing: bool = False,
    time_zone: str = "UTC",
    unreached: Sequence[str] = (),
) -> str:
    """Write the page. It asks the browser to load it again every RELOAD_S. Its times are in the house's time zone.

    silence: why what is known is old; the page then begins with it, for nothing old proves that all is well.
    """
    view = sheet.snapshot.house
    alarms, notes, accepted = _open(sheet)
    now = house_moment(sheet.at, zone_named(time_zone))
    return (
        environment()
        .get_template("plain.html")
        .render(
            reload_s=RELOAD_S,
            view=view,
            at=f"{wording.written(now, '%A %-d %B %Y, %H:%M:%S')} ({time_zone})",
            clock=lambda text: read_at(text, now),
            headline=silence or headline(sheet),
            problems=(
                *(text for text in trouble if text != silence),
                *((REFUSED, *view.house_problems) if view.house_problems else ()),
            ),
            declares_nothing=declares_nothing,
            incidents=[incident(one) for one in alarms],
            notes=[incident(one) for one in notes],
            accepted=[incident(one) for one in accepted],
            readiness=readiness(sheet, silence, unreached=unreached),
            universes=[_universe(one, now) for one in universes(sheet)],
            sources=[_source(one, now) for one in sources(sheet)],
        )
    )


def headline(sheet: Sheet) -> str:
    """Is all well, in one sentence."""
    alarms, notes, accepted = _open(sheet)
    if alarms:
        first = alarms[0]
        named = [first, *_beside(first, alarms)]
        more = len(alarms) - len(named)
        return " ".join(one.summary for one in named) + (f" And {more} more." if more else "")
    beside = [f"{len(notes)} note{'' if len(notes) == 1 else 's'} to read in the morning"] if notes else []
    beside += [f"{len(accepted)} accepted"] if accepted else []
    return _without_alarm(sheet) + (f" Besides: {', '.join(beside)}." if beside else "")


def _open(sheet: Sheet) -> tuple[list[Incident], list[Incident], list[Incident]]:
    """Open incidents that call for somebody, notes, and what the house accepts; each with the most urgent first."""
    is_open = [one for one in sorted(sheet.snapshot.incidents, key=urgency, reverse=True) if one.closed_ns is None]
    wanted = [one for one in is_open if not one.accepted]
    return (
        [one for one in wanted if one.severity > Severity.NOTE],
        [one for one in wanted if one.severity == Severity.NOTE],
        [one for one in is_open if one.accepted],
    )


def _beside(first: Incident, alarms: Sequence[Incident]) -> list[Incident]:
    """The sentence after the first: of a fault of this listener the worst of the show itself that still lasts, and of a
    fault of the show what is wrong with this listener, for that may be why the other is seen.
    """
    if first.returned_ns is not None:
        return []
    lasting = [one for one in alarms if one.returned_ns is None and _is_of_listener(one) != _is_of_listener(first)]
    return [max(lasting, key=urgency)] if lasting else []


def _is_of_listener(one: Incident) -> bool:
    rule = CATALOG.get(one.rule)
    return rule is not None and rule.is_of_listener


def _without_alarm(sheet: Sheet) -> str:
    """What the states say where no incident calls for anybody: well only if what is due arrives."""
    states = counts(sheet)["universes"]
    due = len(sheet.snapshot.universe_names) - states[UniverseState.NOT_SENT.word]
    steady = sum(states[state.word] for state in ARRIVING)
    unseen = states[UniverseState.NOT_VISIBLE.word]
    others = controlled_by_others(sheet)
    look = [f"{states[state.word]} {state.word.replace('-', ' ')}" for state in TO_LOOK_AT if states[state.word]]
    awaited = _not_heard_yet(sheet)
    if not look and (awaited or (steady and others)):
        beside = [_from_whom(others)] if others else []
        beside += [f"{unseen} not visible from this port"] if unseen else []
        beside += [f"{awaited} not heard yet"] if awaited else []
        return f"{'Just started' if awaited else 'No alarm'}: {', '.join((_arrive(steady, due + awaited), *beside))}."
    if not due:
        return "Nothing is sent, and nothing is due." if states[UniverseState.NOT_SENT.word] else "Nothing is heard."
    if look:
        counted = f"{', '.join(look)} of {wording.count(due, 'universe')}"
        return f"No alarm, but not all is well: {counted}{f'; {_from_whom(others)}' if others else ''}."
    if not steady:
        return f"Blind: 0 of {wording.count(due, 'universe')} seen from this port."
    if not sheet.snapshot.universes["declared"].any():
        return f"Nothing declared: {wording.count(steady, 'universe')} heard."
    if unseen:
        return f"No fault seen: {_arrive(steady, due)}, {unseen} not visible from this port."
    return f"All is well: {_arrive(steady, due)}."


def _arrive(number: int, of_all: int) -> str:
    return f"{number} of {wording.count(of_all, 'universe')} arrive{'s' if number == 1 else ''}"


def _from_whom(others: Mapping[str, str]) -> str:
    """Say how many universes are controlled by whom. others: as `controlled_by_others` gives them."""
    whom = set(others.values())
    return f"{len(others)} from {whom.pop() if len(whom) == 1 else 'other sources'}"


def _not_heard_yet(sheet: Sheet) -> int:
    """How many expected universes have not come, as long as they still have time to after the start."""
    snapshot = sheet.snapshot
    if snapshot.now_ns - snapshot.started_ns > ns_from_s(UniverseMissingParameters().start_s):
        return 0
    rows = snapshot.universes
    unheard = rows["expected"] & (rows["last_frame_ns"] == 0) & (rows["state"] == UniverseState.NOT_SENT)
    return int(unheard.sum())


def _universe(one: UniverseAnswer, now: datetime) -> tuple[str, ...]:
    return (
        one["universe"],
        one["label"],
        one["state"].replace("-", " "),
        _figure(one["refresh_hz"]),
        _figure(one["interval_ms"]["max"]),
        one["winning_name"] or _own_routes(one),
        str(one["lost_frames"]),
        read_at(one["last_frame_at"], now) or "never",
    )


def _source(one: SourceAnswer, now: datetime) -> tuple[str, ...]:
    priority = one["priority"]
    return (
        one["name"] + (" (this computer's own bridge)" if one["own_bridge"] else ""),
        one["protocol"],
        ", ".join(_leg(leg) for leg in one["legs"]) if len(one["legs"]) > 1 else one["address"],
        str(len({name.partition("@")[0] for name in one["universes"]})),
        "" if priority is None else str(priority),
        read_at(one["last_seen_at"], now),
    )


def _own_routes(universe: UniverseAnswer) -> str:
    """Senders that this computer cannot hear, because it is the sender itself."""
    routes = universe["sent_by_routes"]
    return f"this computer, by route {', '.join(routes)}" if routes else ""


def _leg(leg: LegAnswer) -> str:
    """One address of a source on several networks, and how its leg is."""
    return f"{leg['address']} on {leg['network']} ({leg['state']})"


def _figure(value: float | None) -> str:
    return "" if value is None else str(number(value, 1))
