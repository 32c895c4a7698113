"""Makes a show report from the history's file. It takes long: call it in a thread, or from a verb."""

from __future__ import annotations

from msgspec.structs import replace

from slotwatch import __version__
from slotwatch.durations import MILLISECOND_NS, MINUTE_MS, MINUTE_NS, NANOSECONDS
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.resumption import ENDED, SAME_SHOW_MS, STOPPED
from slotwatch.edge.front.usual import UsualBefore, usual_at
from slotwatch.house.schema import House, Phase
from slotwatch.views.answers.report import NotJudgedInterval, PhaseAt, ShowReport, UniverseMinutes, WorstUniverse
from slotwatch.views.incidents import incident
from slotwatch.views.minutes import minute_rows
from slotwatch.views.moments import iso_wall, read_iso
from slotwatch.views.records import incident_of
from slotwatch.views.show import sentence, tally, worst_universes
from slotwatch.views.usual import usual_text

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

    tallies = tally(archive.sums(first, last))
    ordered = sorted(tallies.items(), key=lambda named: _by_number(named[0]))
    usual = usual_at(archive, since_ms)
    records = archive.incidents("all", since_ms, until_ms)
    incidents = [incident(incident_of(record, 0)) for record in reversed(records)]
    not_judged = [
        NotJudgedInterval(_at(start), None if end is None else _at(end), network, reason)
        for start, end, network, reason in archive.not_judged(since_ms, until_ms)
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
            {"at": _at(at_ms), "text": text, "by": by} for at_ms, text, by in archive.marks(since_ms, until_ms, 100_000)
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
