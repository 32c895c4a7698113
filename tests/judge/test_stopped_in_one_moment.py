"""Several sources fall silent in one moment: each is judged by what it did, and one that returns hides no other."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, Network
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import Desk, Node, Stage, house_of, moving, still

MAIN = Desk("Main desk", (1, 2), "10.0.0.1", 1)
SPARE = Desk("Spare desk", (1, 2), "10.0.0.2", 2, 90)
MEDIA = Node((0,), "10.0.0.30", levels=moving())
SPARE_LIGHTS = Desk("Lights", (9,), "10.0.0.9", 9)
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


class Switching(Desk):
    """A desk that lists universe 2 until 15 s, and runs on without it."""

    def listed(self, t: float) -> tuple[int, ...]:
        return (1, 2) if t < 15.0 else (1,)


def causes_of(stage: Stage) -> dict[tuple[str, ...], str]:
    return {one.universes: one.cause for one in stage.all if one.rule == "universe-lost"}


def test_an_output_that_is_switched_off_says_nothing_of_a_media_server_that_dies_with_it() -> None:
    """At rest the media server sends each 4 s, so that its last packet before 15 s came at 12 s."""
    on = Switching("Main desk", (1,), discovery=True)
    off = replace(on, universes=(2,), discovery=False, to_s=15.0)
    stage = Stage(HOUSE, on, off, replace(MEDIA, levels=still(), to_s=15.0)).run(40.0)
    assert causes_of(stage) == {("e131/2",): "universe-withdrawn", ("artnet/0",): "source-lost"}


def test_an_output_that_is_switched_off_says_nothing_of_lights_that_die_with_it() -> None:
    """Both are lost in the same second; the desk's list, which no longer has universe 2, comes 5.5 s later."""
    on = Switching("Main desk", (1,), discovery=True)
    off = replace(on, universes=(2,), discovery=False, to_s=15.0)
    stage = Stage(house_of((1, 2, 9)), on, off, replace(SPARE_LIGHTS, to_s=15.0)).run(40.0)
    assert set(causes_of(stage).values()) == {"universe-withdrawn", "source-lost"}
    by_cause = {one.cause: one for one in stage.open}
    assert "Lights" not in by_cause["universe-withdrawn"].summary
    assert "Main desk" not in by_cause["source-lost"].summary.partition("Still working")[0]


def test_a_desk_that_goes_on_without_levels_says_nothing_of_a_media_server_that_dies_with_it() -> None:
    """Text packets (start code 0x17) go on in the same series."""
    text = replace(MAIN, from_s=15.0, start_code=0x17, sequence_of=lambda universe, index: index + 600)
    stage = Stage(HOUSE, replace(MAIN, to_s=15.0), text, SPARE_LIGHTS, replace(MEDIA, levels=still(), to_s=15.0))
    stage.run(40.0)
    assert causes_of(stage) == {("e131/1", "e131/2"): "universe-withdrawn", ("artnet/0",): "source-lost"}


def test_a_desk_whose_universes_end_within_a_second_went_silent_itself() -> None:
    """One of two leads comes out 0.5 s before the desk loses power; what was at rest ended with the first."""
    universes = tuple(DeclaredUniverse(UniverseId(Protocol.E131, n), networks=(0, 1)) for n in (1, 2, 9))
    networks = (Network("A", "eth1"), Network("B", "eth2"))
    house = replace(house_of(()), universes=universes, networks=networks, sources=HOUSE.sources[:1])
    on_a, on_b = replace(MAIN, to_s=15.0), replace(MAIN, to_s=15.0, address="10.1.0.1", network=1)
    last = replace(on_a, universes=(2,), to_s=15.5)
    lights = [SPARE_LIGHTS, replace(SPARE_LIGHTS, address="10.1.0.9", network=1)]
    stage = Stage(house, replace(on_a, universes=(1,)), last, on_b, *lights).run(40.0)
    assert {one.cause for one in stage.all} == {"source-lost"}, stage.said()


def test_a_desk_whose_universes_end_seconds_apart_lost_them_one_by_one() -> None:
    first, last = replace(MAIN, to_s=15.0), replace(MAIN, universes=(3,), to_s=18.0)
    stage = Stage(house_of((1, 2, 3, 4)), first, last, replace(SPARE_LIGHTS, universes=(4,))).run(20.0)
    assert [one.cause for one in stage.all] == ["path-or-sender"]
