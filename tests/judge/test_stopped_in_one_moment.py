"""Several sources fall silent in one moment: each is judged by what it did, and one that returns hides no other."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.house.schema import DeclaredSource
from tests.judge.stage import Desk, Node, Stage, house_of, moving

MAIN = Desk("Main desk", (1, 2), "10.0.0.1", 1)
SPARE = Desk("Spare desk", (1, 2), "10.0.0.2", 2, 90)
MEDIA = Node((0,), "10.0.0.30", levels=moving())
HOUSE = house_of(
    (1, 2),
    artnet=(0,),
    sources=(
        DeclaredSource("main desk", cid=MAIN.cid),
        DeclaredSource("spare desk", cid=SPARE.cid, role="backup", priority=90),
        DeclaredSource("media server", address="10.0.0.30"),
    ),
)


def test_a_media_server_that_returns_leaves_the_dead_desk_told_once() -> None:
    stage = Stage(HOUSE, replace(MAIN, to_s=15.0), SPARE, replace(MEDIA, to_s=15.0), replace(MEDIA, from_s=31.0))
    stage.run(60.0)
    found = [one for one in stage.open if one.severity > 1]
    assert [(one.rule, one.universes[:2]) for one in found] == [("source-absent", ("e131/1", "e131/2"))]
    assert all(one.flaps == 0 for one in stage.all), [(one.rule, one.flaps) for one in stage.all]


def test_who_falls_silent_while_another_says_that_it_stops_announced_nothing() -> None:
    house = house_of((1, 2, 3, 4))
    closed = Desk("Lights", (3,), "10.0.0.3", 3, to_s=15.0, terminate=True)
    stage = Stage(house, replace(MAIN, to_s=15.05), closed, Desk("Tower", (4,), "10.0.0.4", 4)).run(24.0)
    by_universe = {one.universes: one for one in stage.all if one.rule == "universe-lost"}
    assert by_universe[("e131/3",)].cause == "stream-terminated"
    assert "Main desk" not in by_universe[("e131/3",)].summary
    assert by_universe[("e131/1", "e131/2")].cause == "source-lost"
