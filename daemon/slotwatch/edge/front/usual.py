"""Gathers what is usual for a universe out of the history. Slow work: called in a thread."""

from __future__ import annotations

from dataclasses import asdict
from typing import cast

from slotwatch.edge.front.history_archive import Archive
from slotwatch.house.schema import Phase
from slotwatch.model.usual import FEWEST_SHOWS, METHOD, MOST_SHOWS, ShowFigures, show_figures, usual_figures
from slotwatch.views.answers.usual import LeftOutShowAnswer, ShowFiguresAnswer, UsualAnswer, UsualFigureAnswer
from slotwatch.views.moments import iso_wall

MINUTE_MS = 60_000
MOST_LOOKED_AT = 60
"""Shows that are looked at for the newest MOST_SHOWS that count."""
INCIDENT, TOO_SHORT = "incident", "too-short"


def gather_usual(archive: Archive, universe: str, now_ms: int) -> UsualAnswer:
    """What is usual for a universe. A show with an incident that names it never counts. sqlite3.Error as it comes."""
    phases = archive.phases(now_ms)
    spans = [
        (at_ms, phases[number + 1][0] if number + 1 < len(phases) else None)
        for number, (at_ms, phase) in enumerate(phases)
        if phase == Phase.SHOW
    ]
    running = next((since for since, until in spans if until is None), None)
    ended = [(since, until) for since, until in spans if until is not None]
    shows: list[ShowFigures] = []
    left_out: list[LeftOutShowAnswer] = []
    for since, until in reversed(ended[-MOST_LOOKED_AT:]):
        if len(shows) == MOST_SHOWS:
            break
        figures = _of_show(archive, universe, since, until)
        if isinstance(figures, ShowFigures):
            shows.append(figures)
        else:
            left_out.append(
                {"since": iso_wall(since * 1_000_000), "until": iso_wall(until * 1_000_000), "reason": figures}
            )
    tonight = None
    if running is not None:
        tonight = show_figures(archive.minutes(universe, -(-running // MINUTE_MS), now_ms // MINUTE_MS))
    return {
        "universe": universe,
        "shows": len(shows),
        "fewest_shows": FEWEST_SHOWS,
        "method": METHOD,
        "figures": {
            name: cast("UsualFigureAnswer", _rounded(asdict(one))) for name, one in usual_figures(shows).items()
        },
        "tonight": None if tonight is None else cast("ShowFiguresAnswer", _rounded(asdict(tonight))),
        "left_out": left_out,
    }


def _of_show(archive: Archive, universe: str, since_ms: int, until_ms: int) -> ShowFigures | str:
    """The figures of a show that ended, or why it does not count. Only whole minutes within it are read."""
    for record in archive.incidents("all", since_ms, until_ms):
        explained = {name for _, names in record["explains"] for name in names}
        if universe in record["universes"] or universe in explained:
            return INCIDENT
    minutes = archive.minutes(universe, -(-since_ms // MINUTE_MS), until_ms // MINUTE_MS - 1)
    return show_figures(minutes) or TOO_SHORT


def _rounded(figures: dict[str, float]) -> dict[str, float]:
    return {name: round(float(value), 3) for name, value in figures.items()}
