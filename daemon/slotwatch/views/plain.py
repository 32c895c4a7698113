"""The same facts without scripts: one HTML page of headings, sentences and tables, true when it was asked for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from slotwatch.snapshot import Severity, UniverseState
from slotwatch.views.answers.traffic import LegAnswer, UniverseAnswer
from slotwatch.views.house import counts, readiness
from slotwatch.views.incidents import incident, urgency
from slotwatch.views.moments import number
from slotwatch.views.sheet import Sheet
from slotwatch.views.sources import sources
from slotwatch.views.universes import universes

RELOAD_S = 10
ARRIVING = (UniverseState.STEADY, UniverseState.AT_REST, UniverseState.ON_BACKUP, UniverseState.RETURNING)
"""States of universes whose data arrives as it should, or nearly."""
TO_LOOK_AT = (
    UniverseState.LOST,
    UniverseState.MISSING,
    UniverseState.FAULTY,
    UniverseState.ON_BACKUP,
    UniverseState.NOT_JUDGED,
)


UNDECLARED = (
    "Nothing is declared yet. What arrives is judged; a universe that never comes cannot be missed. "
    '<a href="/api/v1/house/draft">Write a house file from what is heard</a>, confirm it, and start with it.'
)


def plain_page(sheet: Sheet, trouble: Sequence[str] = (), *, declares_nothing: bool = False) -> str:
    """Write the page. It asks the browser to load it again every RELOAD_S."""
    view = sheet.snapshot.house
    name = escape(view.name)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="dark light">\n'
        f'<meta http-equiv="refresh" content="{RELOAD_S}">\n'
        f"<title>{_title(sheet)}: {name}</title>\n"
        '<link rel="stylesheet" href="/plain.css">\n</head>\n<body>\n<main>\n'
        f"<h1>{escape(headline(sheet))}</h1>\n"
        f"<p>{name}, phase {escape(view.phase)}, as of {escape(sheet.at)}. "
        f'This page loads itself again every {RELOAD_S} seconds; <a href="/">the live page</a> needs scripts.</p>\n'
        + "".join(f"<p><strong>{escape(text)}</strong></p>\n" for text in (*trouble, *view.house_problems))
        + (f"<p>{UNDECLARED}</p>\n" if declares_nothing else "")
        + _incidents(sheet)
        + _readiness(sheet)
        + _universes(sheet)
        + _sources(sheet)
        + "<p>Not a safety system. Data only: no check of safety or emergency lighting.</p>\n"
        + "</main>\n</body>\n</html>\n"
    )


def headline(sheet: Sheet) -> str:
    """Is all well, in one sentence."""
    is_open = [one for one in sheet.snapshot.incidents if one.closed_ns is None and not one.accepted]
    loud = [one for one in is_open if one.severity > Severity.NOTE]
    if loud:
        more = len(loud) - 1
        return max(loud, key=urgency).summary + (f" And {more} more." if more else "")
    return _without_incident(sheet)


def _without_incident(sheet: Sheet) -> str:
    """What the states say where no incident calls for anybody: well only if what is due arrives."""
    states = counts(sheet)["universes"]
    due = len(sheet.snapshot.universe_names) - states[UniverseState.NOT_SENT.word]
    steady = sum(states[state.word] for state in ARRIVING)
    unseen = states[UniverseState.NOT_VISIBLE.word]
    look = [f"{states[state.word]} {state.word.replace('-', ' ')}" for state in TO_LOOK_AT if states[state.word]]
    if not due:
        return "Nothing is sent, and nothing is due." if states[UniverseState.NOT_SENT.word] else "Nothing is heard."
    if look:
        return f"No alarm, but not all is well: {', '.join(look)} of {due} universes."
    if not steady:
        return f"Blind: 0 of {due} universes seen from this port."
    if unseen:
        return f"No fault seen: {steady} of {due} universes arrive, {unseen} not visible from this port."
    return f"All is well: {steady} of {due} universes have data."


def _title(sheet: Sheet) -> str:
    is_open = sum(one.closed_ns is None for one in sheet.snapshot.incidents)
    return f"{is_open} open incident{'' if is_open == 1 else 's'}"


def _incidents(sheet: Sheet) -> str:
    # In the order of the headline, which names the first of them.
    ordered = sorted(sheet.snapshot.incidents, key=urgency, reverse=True)
    is_open = [incident(one) for one in ordered if one.closed_ns is None]
    if not is_open:
        return "<h2>No open incident</h2>\n"
    parts = [f"<h2>Open incidents: {len(is_open)}</h2>\n"]
    for one in is_open:
        seen = one["acknowledged"]
        parts.append(
            f"<section>\n<h3>{escape(one['severity'].capitalize())}: {escape(one['summary'])}</h3>\n"
            f"<p>Began {escape(one['began_at'] or '')}; rule {escape(one['rule'])}; "
            + (f"cause {escape(one['cause'])}, " if one["cause"] else "")
            + f"confidence {escape(one['confidence'])}."
            + (f" Taken on by {escape(seen['by'])}." if seen else "")
            + "</p>\n"
            + _list("Evidence", one["evidence"])
            + _list("Still working", one["still_working"])
            + _list("Next checks", one["next_checks"])
            + "</section>\n"
        )
    return "".join(parts)


def _readiness(sheet: Sheet) -> str:
    call = readiness(sheet)
    text = "Ready, judged as if in show." if call["ready"] else "Not ready, judged as if in show."
    reasons = _list("Reasons", [one["text"] for one in call["reasons"]], level=3)
    hidden = _list("Not visible from this port", call["not_visible"], level=3)
    return f"<h2>Readiness</h2>\n<p>{text}</p>\n{reasons}{hidden}"


def _universes(sheet: Sheet) -> str:
    rows = (
        (
            one["universe"],
            one["label"],
            one["state"],
            _figure(one["refresh_hz"]),
            _figure(one["interval_ms"]["max"]),
            one["winning_name"] or _own_routes(one),
            one["lost_frames"],
            one["last_frame_at"] or "never",
        )
        for one in universes(sheet)
    )
    heads = ("Universe", "Label", "State", "Hz", "Longest interval, ms", "Source", "Frames lost", "Last frame")
    return _table("Universes", heads, rows)


def _sources(sheet: Sheet) -> str:
    rows = (
        (
            one["name"] + (" (this computer's own bridge)" if one["own_bridge"] else ""),
            one["protocol"],
            ", ".join(_leg(leg) for leg in one["legs"]) if len(one["legs"]) > 1 else one["address"],
            len({name.partition("@")[0] for name in one["universes"]}),
            one["priority"],
            one["last_seen_at"] or "",
        )
        for one in sources(sheet)
    )
    return _table("Sources", ("Source", "Protocol", "Address", "Universes", "Priority", "Last seen"), rows)


def _own_routes(universe: UniverseAnswer) -> str:
    """Who sends what this computer cannot hear, because it sends it itself."""
    routes = universe["sent_by_routes"]
    return f"this computer, by route {', '.join(routes)}" if routes else ""


def _leg(leg: LegAnswer) -> str:
    """One address of a source on several networks, and how its leg is."""
    return f"{leg['address']} on {leg['network']} ({leg['state']})"


def _figure(value: float | None) -> str:
    return "" if value is None else str(number(value, 1))


def _list(title: str, lines: Sequence[str], level: int = 4) -> str:
    if not lines:
        return ""
    return f"<h{level}>{title}</h{level}>\n<ul>\n" + "".join(f"<li>{escape(line)}</li>\n" for line in lines) + "</ul>\n"


def _table(title: str, heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in heads)
    lines = []
    for row in rows:
        first, *rest = ("" if value is None else escape(str(value)) for value in row)
        lines.append(f'<tr><th scope="row">{first}</th>' + "".join(f"<td>{cell}</td>" for cell in rest) + "</tr>\n")
    return f"<h2>{title}</h2>\n<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{''.join(lines)}</tbody>\n</table>\n"
