"""Works out what is usual, out of the history. Slow work: called in a thread."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from slotwatch.durations import MINUTE_MS
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_shows import UsualRows
from slotwatch.edge.front.show_spans import parts_of
from slotwatch.house.schema import DeclaredUniverse, House, Phase
from slotwatch.model.usual import METHOD_VERSION, HouseFigures, KeptShow, Show, Start, show_of
from slotwatch.model.usual_standing import (
    INCIDENT,
    TOO_SHORT,
    GrowsWorse,
    Standing,
    declared_as,
    growing_worse,
    standing_of,
    why_changed,
)
from slotwatch.views import usual as views
from slotwatch.views.answers.usual import TrendAnswer, UsualAnswer
from slotwatch.views.kept import KeptIncident
from slotwatch.wire.universe import Protocol, UniverseId

MOST_LOOKED_AT = 40
"""Shows that are looked at for the newest 20 that count."""
HOUSE = ""
"""The whole house among universes."""
UNLIKE_USUAL = "unlike-usual"
"""Its own incidents leave no show out: a house that simply changed would never be usual again."""
OVERRUN = "host-overrun"

Span = tuple[int, int]
"""From and to, wall-clock ms."""


@dataclass(slots=True)
class Worked:
    """What is usual in the whole house, and what of it is to be kept."""

    standings: dict[str, Standing] = field(default_factory=dict)
    worse: list[tuple[int, GrowsWorse]] = field(default_factory=list)
    """What grows worse, and when it was found."""
    last_show_ms: int = 0
    """When the newest show ended."""
    new: UsualRows = field(default_factory=UsualRows)


def shows_between(archive: Archive, now_ms: int) -> tuple[list[Span], int | None]:
    """Shows that have ended, oldest first, and when the one that runs began."""
    phases = archive.phases(now_ms)
    ended: list[Span] = []
    running = None
    for number, (at_ms, phase) in enumerate(phases):
        if phase != Phase.SHOW:
            continue
        is_last = number + 1 == len(phases)
        parts, running = parts_of(archive, (at_ms, now_ms if is_last else phases[number + 1][0]), is_last)
        ended += parts
    return ended[-MOST_LOOKED_AT:], running


def missing_shows(archive: Archive, now_ms: int) -> list[Span]:
    """Shows whose figures are not kept, or are of an older method while their minutes still are; newest first."""
    kept = {since_ms: row for (_, since_ms), row in archive.usual(HOUSE).shows.items()}
    first_ms = archive.first_minute() * MINUTE_MS
    found = []
    for span in reversed(shows_between(archive, now_ms)[0]):
        row = kept.get(span[0])
        if row is None or (row.method != METHOD_VERSION and span[0] >= first_ms):
            found.append(span)
    return found


def work_out_show(archive: Archive, span: Span) -> UsualRows:
    """The figures of one show on all its universes. Only whole minutes within it are read."""
    since_ms, until_ms = span
    records = archive.incidents("all", since_ms, until_ms)
    troubled = {name for record in records if _counts(record) for name in _named(record)}
    found = UsualRows()
    for universe, minutes in archive.minutes_of_all(*_minutes(span)).items():
        show = None if universe in troubled else show_of(minutes)
        found.shows[universe, since_ms] = _row(span, show, universe in troubled)
    unjudged = archive.not_judged(since_ms, until_ms)
    not_judged_ms = sum(min(end or until_ms, until_ms) - max(start, since_ms) for start, end, *_ in unjudged)
    overruns = sum(record["rule"] == OVERRUN for record in records)
    own = [record for record in records if record["rule"] != UNLIKE_USUAL]
    house = HouseFigures(len(own), overruns, not_judged_ms / 1000)
    found.shows[HOUSE, since_ms] = KeptShow(since_ms, until_ms, house=house)
    return found


def work_out_house(archive: Archive, house: House, now_ms: int) -> Worked:
    """What is usual on every universe that is declared or has shows, and what grows worse."""
    kept = archive.usual()
    by_universe: dict[str, list[KeptShow]] = {}
    for (universe, _), row in sorted(kept.shows.items(), key=lambda item: -item[0][1]):
        by_universe.setdefault(universe, []).append(row)
    found = Worked(last_show_ms=max((row.until_ms for row in by_universe.get(HOUSE, ())), default=0))
    lines = {line.number: f"line/{line.name}" for line in house.lines}
    declared = {_written(one, lines): one for one in house.universes}
    for universe in sorted({*by_universe, *kept.starts} - {HOUSE}):
        one = declared.get(universe.partition("@")[0])
        start = _start(kept.starts.get(universe), declared_as(house, one), now_ms)
        if start is not None and start != kept.starts.get(universe):
            found.new.starts[universe] = start
        standing = standing_of(universe, by_universe.get(universe, ()), start)
        found.standings[universe] = standing
        _follow_trends(found, kept, standing, _slowest_hz(house, universe, one))
    return found


@dataclass(frozen=True, slots=True)
class UsualBefore:
    """What was usual before a moment, and all that is kept."""

    standings: dict[str, Standing]
    shows: dict[tuple[str, int], KeptShow]
    trends: dict[tuple[str, str], tuple[int, TrendAnswer] | None]


def usual_at(archive: Archive, before_ms: int) -> UsualBefore:
    """What was usual before a show: no show of that time or later counts."""
    kept = archive.usual()
    by_universe: dict[str, list[KeptShow]] = {}
    for (universe, since_ms), row in sorted(kept.shows.items(), key=lambda item: -item[0][1]):
        if since_ms < before_ms and universe != HOUSE:
            by_universe.setdefault(universe, []).append(row)
    names = {*by_universe, *kept.starts}
    standings = {name: standing_of(name, by_universe.get(name, ()), kept.starts.get(name)) for name in names}
    return UsualBefore(standings, kept.shows, kept.trends)


def _written(one: DeclaredUniverse, lines: Mapping[int, str]) -> str:
    """A declared universe as the history names it, without its network."""
    return lines.get(one.id.number, str(one.id)) if one.id.protocol is Protocol.LINE else str(one.id)


def _slowest_hz(house: House, universe: str, declared: DeclaredUniverse | None) -> float:
    """Below which rate `slow-refresh` warns."""
    if declared is not None:
        return declared.limits.min_refresh_hz
    word = universe.partition("/")[0]
    protocol = next((one for one in Protocol if one.word == word), Protocol.E131)
    return house.limits_of(UniverseId(protocol, 1)).min_refresh_hz


def gather_usual(archive: Archive, universe: str, now_ms: int) -> UsualAnswer:
    """What is usual for a universe, of the show that has only just ended too. sqlite3.Error as it comes."""
    kept = archive.usual(universe)
    ended, running = shows_between(archive, now_ms)
    rows = {since_ms: row for (_, since_ms), row in kept.shows.items()}
    for span in ended:
        if span[0] not in rows:
            rows[span[0]] = _of_universe(archive, universe, span)
    shows = sorted(rows.values(), key=lambda row: -row.since_ms)
    tonight = None
    if running is not None:
        tonight = show_of(archive.minutes(universe, -(-running // MINUTE_MS), now_ms // MINUTE_MS))
    worse = [found[1] for (name, _), found in kept.trends.items() if name == universe and found]
    return views.usual_answer(standing_of(universe, shows, kept.starts.get(universe)), tonight, worse)


def _of_universe(archive: Archive, universe: str, span: Span) -> KeptShow:
    records = archive.incidents("all", *span)
    if any(universe in _named(record) for record in records if _counts(record)):
        return _row(span, None, True)
    return _row(span, show_of(archive.minutes(universe, *_minutes(span))), False)


def _row(span: Span, show: Show | None, is_troubled: bool) -> KeptShow:
    reason = INCIDENT if is_troubled else "" if show else TOO_SHORT
    return KeptShow(*span, show=show, reason=reason)


def _minutes(span: Span) -> tuple[int, int]:
    return -(-span[0] // MINUTE_MS), span[1] // MINUTE_MS - 1


def _counts(record: KeptIncident) -> bool:
    """Whether an incident leaves a show out. What somebody accepted is how this house is."""
    return record["rule"] != UNLIKE_USUAL and not record.get("accepted")


def _named(record: KeptIncident) -> set[str]:
    return {*record["universes"], *(name for _, names in record["explains"] for name in names)}


def _start(known: Start | None, declared: str, now_ms: int) -> Start | None:
    if known is None:
        return Start(0, declared) if declared else None
    if known.declared == declared:
        return known
    return Start(now_ms, declared, why_changed(known.declared, declared))


def _follow_trends(found: Worked, kept: UsualRows, standing: Standing, limit_hz: float) -> None:
    """What is found for the first time is shown now; what lasts is not shown again."""
    newest_ms = standing.counted[0].until_ms if standing.counted else 0
    now = {one.figure: one for one in growing_worse(standing, limit_hz)}
    for key, held in kept.trends.items():
        is_new_start = held is not None and standing.restarted_ms > held[0]
        if held is not None and key[0] == standing.universe and (key[1] not in now or is_new_start):
            later = sum(row.until_ms > held[0] for row in standing.counted)
            if later >= views.SHOWS_A_TREND_IS_KEPT or is_new_start:
                found.new.trends[key] = None
    for figure, one in now.items():
        held = kept.trends.get((standing.universe, figure))
        if held is None:
            found.new.trends[standing.universe, figure] = newest_ms, views.trend_answer(one, newest_ms)
        found.worse.append((held[0] if held else newest_ms, one))
