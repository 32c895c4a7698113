"""What is usual, in words and as answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import cast

from slotwatch.judge import wording
from slotwatch.model.trend import SHOWS
from slotwatch.model.usual import FEWEST_SHOWS, METHOD, MOST_SHOWS, HouseFigures, KeptShow, Show, Usual, usual_figures
from slotwatch.model.usual_standing import GrowsWorse, Standing, is_enough
from slotwatch.views.answers.usual import (
    HouseUsualAnswer,
    LeftOutShowAnswer,
    ShowFiguresAnswer,
    TrendAnswer,
    UsualAnswer,
    UsualFigureAnswer,
)
from slotwatch.views.moments import iso_wall

SHOWS_A_TREND_IS_KEPT = 10
"""A trend that no longer holds is forgotten this many shows after it was found; then it may be found again."""
_TRENDS = {
    "interval_p99_ms": (
        "frames of {universe} come less evenly from show to show: 99 of 100 intervals were within {first:.0f} ms in "
        "the first of the last {shows} shows and {last:.0f} ms in the last. In about {left} they reach {limit:.0f} ms, "
        "where uneven-refresh warns."
    ),
    "moving_hz": (
        "frames of {universe} come more slowly from show to show: at {first:.1f} Hz in the first of the last {shows} "
        "shows and {last:.1f} Hz in the last. In about {left} they reach {limit:.0f} Hz, where slow-refresh warns."
    ),
    "missing_percent": (
        "more frames of {universe} are missing from show to show: {first:.2f} % in the first of the last {shows} shows "
        "and {last:.2f} % in the last. In about {left} it is {limit:.0f} %, where packet-loss warns."
    ),
}


def usual_answer(standing: Standing, tonight: Show | None, trends: Sequence[TrendAnswer]) -> UsualAnswer:
    """Everything of one universe."""
    return {
        "universe": standing.universe,
        "shows": len(standing.counted),
        "fewest_shows": FEWEST_SHOWS,
        "method": METHOD,
        "source": standing.source or None,
        "figures": figures_answer(standing.figures) if is_enough(standing) else {},
        "by_source": {name: figures_answer(figures) for name, figures in standing.by_source.items()},
        "tonight": None if tonight is None else _tonight(tonight),
        "restarted": None
        if not standing.restarted_why
        else {"at": _at(standing.restarted_ms), "why": standing.restarted_why},
        "grows_worse": list(trends),
        "left_out": [_left_out(row, reason) for row, reason in standing.left_out],
    }


def house_usual_answer(
    shows: Sequence[KeptShow], standings: Mapping[str, Standing], trends: Sequence[TrendAnswer]
) -> HouseUsualAnswer:
    """Everything of the whole house. shows: its own rows, newest first."""
    held = [row.house for row in shows if row.house is not None][:MOST_SHOWS]
    return {
        "shows": len(held),
        "fewest_shows": FEWEST_SHOWS,
        "figures": figures_answer(usual_figures(cast("Sequence[HouseFigures]", held))),
        "grows_worse": list(trends),
        "restarted": [
            {"universe": name, "at": _at(one.restarted_ms), "why": one.restarted_why}
            for name, one in standings.items()
            if one.restarted_why
        ],
    }


def figures_answer(figures: Mapping[str, Usual]) -> dict[str, UsualFigureAnswer]:
    return {name: cast("UsualFigureAnswer", _rounded(asdict(one))) for name, one in figures.items()}


def trend_answer(one: GrowsWorse, found_ms: int) -> TrendAnswer:
    """A trend as it is kept and answered."""
    return {
        "universe": one.universe,
        "figure": one.figure,
        "text": trend_text(one),
        "found_at": _at(found_ms),
        "limit": round(one.limit, 3),
        "values": [round(value, 3) for value in one.values],
        "slope": round(one.trend.slope, 4),
        "p_value": round(one.trend.p_value, 6),
    }


def trend_text(one: GrowsWorse) -> str:
    """Say what grows worse, since when, and when it reaches the limit of a warning."""
    left = max(1, round(one.shows_left))
    text = _TRENDS[one.figure].format(
        universe=one.universe,
        first=one.values[0],  # as they were: the line through them may begin where no show was
        last=one.values[-1],
        shows=SHOWS,
        left=f"{left} show{'' if left == 1 else 's'}",
        limit=one.limit,
    )
    return wording.at_the_start(text)


def usual_text(figures: Mapping[str, Usual], shows: int) -> str:
    """What is usual in a few words, for a column of the report."""
    if "interval_p99_ms" in figures and "moving_hz" in figures:
        pace, late = figures["moving_hz"], figures["interval_p99_ms"]
        return f"{pace.median:.1f} Hz; 99 % within {late.lowest:.0f} to {late.highest:.0f} ms ({_shows(late.shows)})"
    if "refresh_hz" in figures:
        return f"{figures['refresh_hz'].median:.1f} Hz ({_shows(figures['refresh_hz'].shows)})"
    return f"not known yet ({_shows(shows)} of {FEWEST_SHOWS})"


def _shows(number: int) -> str:
    return f"{number} show{'' if number == 1 else 's'}"


def _tonight(show: Show) -> ShowFiguresAnswer:
    return cast("ShowFiguresAnswer", _rounded(asdict(show.figures)))


def _left_out(row: KeptShow, reason: str) -> LeftOutShowAnswer:
    return {"since": _at(row.since_ms), "until": _at(row.until_ms), "reason": reason}


def _rounded(figures: Mapping[str, float | None]) -> dict[str, float | None]:
    return {name: value if value is None or type(value) is int else round(value, 3) for name, value in figures.items()}


def _at(wall_ms: int) -> str:
    return iso_wall(wall_ms * 1_000_000)
