"""Figures of shows in the history's file, from when each universe's count, and what grows worse.

They outlive the minutes that they were worked out from: a house with a show a week has its last 20 all the same.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field

import msgspec

from slotwatch.edge.front.history_rows import SetAside, is_time, object_of
from slotwatch.model.usual import HouseFigures, KeptShow, Show, ShowFigures, SourceFigures, Start
from slotwatch.views.answers.usual import TrendAnswer

MOST_KEPT = 60
"""Shows that are kept: of these the newest 20 that count are used."""


@dataclass(slots=True)
class UsualRows:
    """What waits to be written. None: the trend is over."""

    shows: dict[tuple[str, int], KeptShow] = field(default_factory=dict)
    starts: dict[str, Start] = field(default_factory=dict)
    trends: dict[tuple[str, str], tuple[int, TrendAnswer] | None] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.shows or self.starts or self.trends)

    def __or__(self, newer: UsualRows) -> UsualRows:
        return UsualRows(self.shows | newer.shows, self.starts | newer.starts, self.trends | newer.trends)

    def write(self, db: sqlite3.Connection) -> None:
        db.executemany(
            "INSERT OR REPLACE INTO show_figures VALUES (?,?,?,?,?)",
            (
                (universe, since_ms, row.until_ms, row.method, _text(_plain(row)))
                for (universe, since_ms), row in self.shows.items()
            ),
        )
        db.executemany(
            "INSERT OR REPLACE INTO usual_starts VALUES (?,?,?,?)",
            ((universe, one.since_ms, one.declared, one.why) for universe, one in self.starts.items()),
        )
        for (universe, figure), found in self.trends.items():
            db.execute("DELETE FROM trends WHERE universe = ? AND figure = ?", (universe, figure))
            if found is not None:
                db.execute("INSERT INTO trends VALUES (?,?,?,?)", (universe, figure, found[0], _text(found[1])))


def shows_of(db: sqlite3.Connection, odd: SetAside, universe: str | None = None) -> dict[str, list[KeptShow]]:
    """Give the shows of one universe, or of all, newest first."""
    found: dict[str, list[KeptShow]] = {}
    rows = db.execute(
        "SELECT universe, since_ms, until_ms, method, body FROM show_figures WHERE universe = coalesce(?, universe) "
        "ORDER BY since_ms DESC",
        (universe,),
    )
    for name, since_ms, until_ms, method, body in rows:
        value = object_of(body)
        row = _kept(since_ms, until_ms, method, value)
        if row is None:
            odd.add("show_figures", (name, since_ms))
        else:
            found.setdefault(str(name), []).append(row)
    return found


def starts_of(db: sqlite3.Connection, odd: SetAside) -> dict[str, Start]:
    """Give from when each universe's shows count."""
    rows: Iterable[tuple[str, int, str, str]] = db.execute("SELECT universe, since_ms, declared, why FROM usual_starts")
    sound = odd.sound("usual_starts", rows, lambda row: is_time(row[1]))
    return {str(name): Start(since_ms, str(declared), str(why)) for name, since_ms, declared, why in sound}


def trends_of(db: sqlite3.Connection, odd: SetAside) -> dict[tuple[str, str], tuple[int, TrendAnswer]]:
    """Give what grows worse: by universe and figure, when that was found, and what was found."""
    found = {}
    for universe, figure, found_ms, body in db.execute("SELECT universe, figure, found_ms, body FROM trends"):
        try:
            value = msgspec.json.decode(body, type=TrendAnswer)
        except (msgspec.MsgspecError, TypeError):
            value = None
        if value is None or not is_time(found_ms):
            odd.add("trends", (universe, figure))
        else:
            found[str(universe), str(figure)] = found_ms, value
    return found


def forget_shows(db: sqlite3.Connection) -> None:
    """Keep the figures of the newest shows alone."""
    db.execute(
        "DELETE FROM show_figures WHERE since_ms < "
        "(SELECT min(since_ms) FROM (SELECT DISTINCT since_ms FROM show_figures ORDER BY since_ms DESC LIMIT ?))",
        (MOST_KEPT,),
    )


def _plain(row: KeptShow) -> dict[str, object]:
    found: dict[str, object] = {"reason": row.reason} if row.reason else {}
    if row.house is not None:
        found["house"] = asdict(row.house)
    if row.show is not None:
        by_source = {source: asdict(one) for source, one in (row.show.by_source or {}).items()}
        found |= {"figures": asdict(row.show.figures), "source": row.show.source, "by_source": by_source}
    return found


def _kept(since_ms: object, until_ms: object, method: object, value: Mapping[str, object] | None) -> KeptShow | None:
    """Read a show; None if what is kept is none."""
    if value is None or not (is_time(since_ms) and is_time(until_ms)) or type(method) is not int:
        return None
    try:
        house = HouseFigures(**_numbers(value["house"])) if "house" in value else None
        show = None
        if "figures" in value:
            sources = value["by_source"]
            if not isinstance(sources, dict):
                return None
            by_source = {str(name): SourceFigures(**_numbers(one)) for name, one in sources.items()}
            show = Show(ShowFigures(**_numbers(value["figures"])), str(value["source"]), by_source)
    except (AttributeError, KeyError, TypeError, ValueError):
        return None
    return KeptShow(since_ms, until_ms, show, house, str(value.get("reason", "")), method)


def _numbers(value: object) -> dict[str, float]:
    if not isinstance(value, dict) or not all(
        one is None or (type(one) in (int, float) and one == one) for one in value.values()
    ):
        raise ValueError("not numbers")
    return value


def _text(body: Mapping[str, object]) -> str:
    return json.dumps(body, separators=(",", ":"))
