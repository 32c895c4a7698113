"""Thirty nights of packets through the engine and the history's file: a jitter that is always there, and one drift.

`python -m tests.rehearse.seasons drift` takes some minutes. From night 15 on the desk of the invented house is 1.5 Hz
slower each night. What is reported must come at the night that SciPy states, of the rates that were played, and nothing
on any night before.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.stats import kendalltau, theilslopes

from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.edge.front.usual import missing_shows, work_out_house, work_out_show
from slotwatch.house.schema import House
from slotwatch.model.usual_standing import Standing, usual_of
from slotwatch.rehearse import stage
from slotwatch.rehearse.cast import main_desk, paper
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.scenario import Scenario, Truth
from slotwatch.rehearse.stage import Item
from slotwatch.snapshot import Incident, Snapshot
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.views.records import record
from slotwatch.wire.observation import JoinSeen, LinkSeen, UsualSeen
from tests.rehearse.theatre import house_of, perform

NIGHTS, DRIFT_FROM, RATE_HZ, EACH_HZ = 30, 15, 44.0, 1.5
SECONDS = 11 * 60 + 5.0
DAY_MINUTES, MINUTE_MS = 24 * 60, 60_000
HOUSE = paper((1,), sources=("main",))
JITTER_S = 0.003
LEAST_RATIO, LIMIT_HZ = 0.25, 20.0


def rate_of(night: int) -> float:
    return RATE_HZ - EACH_HZ * max(0, night - DRIFT_FROM + 1)


def play(night: int, standings: dict[str, Standing]) -> tuple[list[Incident], list[MinuteRow]]:
    """One night: what was reported, and its minutes."""

    def items() -> Iterator[Item]:
        yield LinkSeen(0, 0, True, ("192.0.2.200",), "eth1", 1000)
        yield from (JoinSeen(0, 0, universe, True) for universe in HOUSE.joined)
        yield UsualSeen(0, tuple(one for standing in standings.values() if (one := usual_of(standing)) is not None))
        chance = Chance(night + 1)
        sent = main_desk((1,), hz=rate_of(night)).sends()
        for item in stage.delayed(sent, lambda _: chance.between(0.0, JITTER_S), JITTER_S):
            if item.t_ns >= SECONDS * 1e9:
                return
            yield item

    kept: dict[tuple[int, str], MinuteRow] = {}

    def look(snapshot: Snapshot) -> None:
        kept.update({(row.minute, row.universe): row for row in snapshot.minutes})

    scenario = Scenario(f"night-{night}", "", "", items, SECONDS, HOUSE, Truth(), live=False)
    incidents_shown = perform(scenario, resting=True, look=look).incidents
    return incidents_shown, [replace(row, minute=row.minute + night * DAY_MINUTES) for row in kept.values()]


def keep(store: Store, night: int, incidents_shown: list[Incident], minutes: list[MinuteRow]) -> int:
    """Write a night down as the daemon does; wall-clock ms of its end."""
    first, last = min(row.minute for row in minutes), max(row.minute for row in minutes)
    pending = Pending(minutes=minutes, phases={first * MINUTE_MS: "show", (last + 1) * MINUTE_MS: "dark"})
    for one in incidents_shown:
        moved = replace(
            one,
            id=one.id + 100 * night,
            wall_offset_ns=one.wall_offset_ns + night * DAY_MINUTES * 60_000_000_000,
            closed_ns=one.closed_ns or one.opened_ns + 1,
        )
        pending.incidents[(moved.id, night)] = record(moved)
    store.write(pending)
    return (last + 1) * MINUTE_MS


def bring_up_to_date(
    store: Store, archive: Archive, house: House, now_ms: int
) -> tuple[dict[str, Standing], list[str]]:
    """What the daemon works out after a show: what is usual, and what grows worse that was not reported before."""
    for span in missing_shows(archive, now_ms):
        store.write(Pending(usual=work_out_show(archive, span)))
    worked = work_out_house(archive, house, now_ms)
    store.write(Pending(usual=worked.new))
    return worked.standings, [str(row[1]["text"]) for row in worked.new.trends.values() if row is not None]


def stated() -> tuple[int, int]:
    """The nights at which the drift must be found: by the rule, and by the trend. Of the rates that were played."""
    rates = [rate_of(night) for night in range(NIGHTS)]
    unlike = next(night for night in range(NIGHTS) if rates[night] < (1 - LEAST_RATIO) * RATE_HZ)
    for night in range(9, NIGHTS):
        shows = rates[night - 9 : night + 1]
        slope = theilslopes(shows, np.arange(10))[0]
        last = float(np.median(np.array(shows) - slope * np.arange(10)) + 9 * slope)
        is_certain = kendalltau(np.arange(10), shows).pvalue < 0.01
        is_soon = slope < 0 and (LIMIT_HZ - last) / slope <= 10
        if is_certain and is_soon and -9 * slope >= LEAST_RATIO * RATE_HZ:
            return unlike, night
    raise AssertionError("no trend in these rates")


def main() -> int:
    unlike, trend = stated()
    print(f"stated: unlike-usual at night {unlike}, grows worse after night {trend}; the drift begins at {DRIFT_FROM}")
    found_unlike = found_trend = None
    early = 0
    with tempfile.TemporaryDirectory() as place:
        store = Store(Path(place) / "history.db")
        archive, house = Archive(Path(place) / "history.db"), house_of(HOUSE)
        standings: dict[str, Standing] = {}
        for night in range(NIGHTS):
            incidents_shown, minutes = play(night, standings)
            standings, trends = bring_up_to_date(store, archive, house, keep(store, night, incidents_shown, minutes))
            rules = sorted({one.rule for one in incidents_shown})
            print(
                f"night {night}: {rate_of(night):.1f} Hz; {', '.join(rules) or 'nothing'}; {len(trends)} trends",
                flush=True,
            )
            if "unlike-usual" in rules and found_unlike is None:
                found_unlike = night
                print(f"    {next(one.summary for one in incidents_shown if one.rule == 'unlike-usual')}")
            if trends and found_trend is None:
                found_trend = night
                print(f"    {trends[0]}")
            early += night < min(unlike, trend) and bool(rules or trends)
        store.close()
    is_right = (found_unlike, found_trend, early) == (unlike, trend, 0)
    print(
        f"found: unlike-usual at night {found_unlike}, grows worse after night {found_trend}; "
        f"{early} earlier nights reported something"
    )
    return 0 if is_right else 1
