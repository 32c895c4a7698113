"""Makes a show report from the history's file. It takes long: call it in a thread, or from a verb."""

from __future__ import annotations

from msgspec.structs import replace

from slotwatch import __version__
from slotwatch.durations import MILLISECOND_NS, MINUTE_MS, MINUTE_NS, NANOSECONDS
from slotwatch.edge.front.clock_ahead import TimeAhead, times_ahead
from slotwatch.edge.front.history_archive import Archive, Interval
from slotwatch.edge.front.resumption import ENDED, SAME_SHOW_MS, STOPPED
from slotwatch.edge.front.usual import UsualBefore, usual_at
from slotwatch.house.schema import House, Phase
from slotwatch.judge.wording import clock_was_set
from slotwatch.views.answers.faults import IncidentAnswer
from slotwatch.views.answers.report import NotJudgedInterval, PhaseAt, ShowReport, UniverseMinutes, WorstUniverse
from slotwatch.views.incidents import incident
from slotwatch.views.minutes import minute_rows
from slotwatch.views.moments import iso_wall, read_iso
from slotwatch.views.records import incident_of
from slotwatch.views.show import MinuteSums, sentence, tally, worst_universes
from slotwatch.views.usual import usual_text

MOST_MARKS = 100_000
WITHOUT_SHOW_NS = 24 * 3600 * NANOSECONDS


def span_of(archive: Archive, since: str | None, until: str | None, now_ns: int) -> tuple[int, int, str]:
    """Find the span that is asked for, wall-clock ns, and what it is in words. An end that is to come is now.

    Without `since` and `until` it is the last `show` phase, from curtain up to down; without one, the last day.
    ValueError with a sentence if a time cannot be read.
    """
    until_ns = min(read_iso(until), now_ns) if until else now_ns
    if since:
        return read_iso(since), until_ns, ""
    phases = archive.phases(until_ns // MILLISECOND_NS)
    for number in range(len(phases) - 1, -1, -1):
        at_ms, phase = phases[number]
        if phase == Phase.SHOW:
            down_ns = phases[number + 1][0] * MILLISECOND_NS if number + 1 < len(phases) else until_ns
            at_ms = _after_long_gaps(archive, at_ms, down_ns // MILLISECOND_NS)
            return at_ms * MILLISECOND_NS, min(down_ns, until_ns), "The last time the house was in show."
    return until_ns - WITHOUT_SHOW_NS, until_ns, "The last 24 hours: no show is in the history."


def _after_long_gaps(archive: Archive, at_ms: int, until_ms: int) -> int:
    """When a phase began, or slotwatch had not listened for hours: what came before belongs to another show."""
    for start, end, _, reason in archive.not_judged(at_ms, until_ms):
        if reason in (STOPPED, ENDED) and end is not None and end - start > SAME_SHOW_MS:
            at_ms = max(at_ms, end)
    return at_ms


def gather(archive: Archive, house: House, since_ns: int, until_ns: int, span: str, now_ns: int) -> ShowReport:
    """Return the report of a span, wall-clock ns. Raises sqlite3.Error if the history cannot be read."""
    since_ms, until_ms = since_ns // MILLISECOND_NS, until_ns // MILLISECOND_NS
    first, last = since_ns // MINUTE_NS, until_ns // MINUTE_NS
    names = {str(declared.id): declared.label for declared in house.universes}

    def label(universe: str) -> str:
        return names.get(universe) or names.get(universe.partition("@")[0], "")

    ahead = [*times_ahead(archive.clock_steps(), now_ns // MILLISECOND_NS)][::-1]
    tallies = tally(_sums(archive, since_ms, until_ms, ahead))
    ordered = sorted(tallies.items(), key=lambda named: _by_number(named[0]))
    usual = usual_at(archive, since_ms)
    incidents = _incidents(archive, since_ms, until_ms, ahead)
    not_judged = [
        NotJudgedInterval(_at(start), None if end is None else _at(end), network, reason)
        for start, end, network, reason in _not_judged(archive, since_ms, until_ms, ahead)
    ]
    phases = archive.phases(until_ms)
    before = [row for row in phases if row[0] <= since_ms][-1:]
    return ShowReport(
        house=house.name,
        time_zone=house.time_zone,
        version=__version__,
        generated_at=iso_wall(now_ns),
        since=iso_wall(since_ns),
        until=iso_wall(until_ns),
        span=span,
        summary=sentence(incidents, not_judged, sum(one.minutes for one in tallies.values())),
        phases=[PhaseAt(_at(at_ms), phase) for at_ms, phase in before + [r for r in phases if r[0] > since_ms]],
        incidents=incidents,
        marks=[
            {"at": _at(at_ms), "text": text, "by": by} for at_ms, text, by in _marks(archive, since_ms, until_ms, ahead)
        ],
        not_judged=not_judged,
        universes=[_with_usual(one.universe_minutes(label(name)), usual, since_ms) for name, one in ordered],
        grows_worse=[
            found[1] for found in usual.trends.values() if found and since_ms < found[0] <= until_ms + MINUTE_MS
        ],
        worst=[
            WorstUniverse(name, label(name), minute_rows(archive.minutes(name, first, last)))
            for name in worst_universes(tallies)
        ],
    )


def _incidents(archive: Archive, since_ms: int, until_ms: int, ahead: list[TimeAhead]) -> list[IncidentAnswer]:
    """Incidents that were open within the span, in the order of their dates."""
    records = archive.incidents("all", since_ms, until_ms)
    found = {(record["id"], record["opened_wall_ns"]): incident(incident_of(record, 0)) for record in reversed(records)}
    for one in ahead:
        for record in reversed(archive.incidents("all", *one.span(since_ms, until_ms))):
            key = record["id"], record["opened_wall_ns"]
            if key[1] // MILLISECOND_NS > one.after_ms and key not in found:
                found[key] = _dated_ahead(incident(incident_of(record, 0)), one)
    return list(found.values())


def _dated_ahead(found: IncidentAnswer, ahead: TimeAhead) -> IncidentAnswer:
    """Say why an incident is dated later than now, unless it was still open then and says so itself."""
    if not any(entry["what"] == "clock" for entry in found["timeline"]):
        at_ms, step_ms = ahead.step
        text = f"{clock_was_set(step_ms * MILLISECOND_NS)} Times of this incident are by the clock as it was."
        found["timeline"].append({"at": _at(at_ms), "what": "clock", "text": text})
    return found


def _marks(archive: Archive, since_ms: int, until_ms: int, ahead: list[TimeAhead]) -> list[tuple[int, str, str]]:
    found = archive.marks(since_ms, until_ms, MOST_MARKS)
    for one in ahead:
        first_ms, last_ms = one.span(since_ms, until_ms)
        found += archive.marks(max(first_ms, one.after_ms + 1), last_ms, MOST_MARKS)
    return found


def _not_judged(archive: Archive, since_ms: int, until_ms: int, ahead: list[TimeAhead]) -> list[Interval]:
    found = archive.not_judged(since_ms, until_ms)
    for one in ahead:
        found += [row for row in archive.not_judged(*one.span(since_ms, until_ms)) if row[0] > one.after_ms]
    return found


def _sums(archive: Archive, since_ms: int, until_ms: int, ahead: list[TimeAhead]) -> list[MinuteSums]:
    found = archive.sums(since_ms // MINUTE_MS, until_ms // MINUTE_MS)
    for one in ahead:
        first_ms, last_ms = one.span(since_ms, until_ms)
        found += archive.sums(max(first_ms // MINUTE_MS, one.after_ms // MINUTE_MS + 1), last_ms // MINUTE_MS)
    return found


def _by_number(universe: str) -> tuple[str, int, str]:
    """Sort key: e131/2 comes before e131/10."""
    protocol, _, rest = universe.partition("/")
    number = rest.partition("@")[0]
    return protocol, int(number) if number.isdecimal() else 0, rest


def _with_usual(one: UniverseMinutes, usual: UsualBefore, since_ms: int) -> UniverseMinutes:
    """Add what was usual on a universe before this show, and what it was in it."""
    standing = usual.standings.get(one.universe)
    own = usual.shows.get((one.universe, since_ms))
    late_ms = own.show.figures.interval_p99_ms if own is not None and own.show is not None else None
    restarted = ""
    if standing is not None and standing.restarted_why:
        restarted = f"starts again: {standing.restarted_why}"
    figures = standing.figures if standing is not None else {}
    counted = len(standing.counted) if standing is not None else 0
    text = restarted if restarted and not figures else usual_text(figures, counted)
    return replace(one, interval_p99_ms=late_ms, usual=text)


def _at(wall_ms: int) -> str:
    return iso_wall(wall_ms * MILLISECOND_NS)
