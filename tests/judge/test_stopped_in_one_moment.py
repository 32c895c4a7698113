"""Several sources fall silent in one moment: each is judged by what it did, and one that returns hides no other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, Network
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import START_NS, Desk, Node, Packet, Plain, Stage, e131_sync, group_of, house_of, moving, still

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
    assert [one.rule for one in found] == ["source-absent"]
    assert {"e131/1", "e131/2"} <= set(found[0].universes)
    assert '"main desk" (10.0.0.1) silent on universes e131/1 and e131/2 ' in found[0].summary
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
    """At rest the media server sends every 4 s, so that its last packet before 15 s came at 12 s."""
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
    """Text packets (start code 0x17) continue in the same series."""
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
    assert {one.cause for one in stage.all} == {"source-lost"}, said(stage)


def test_a_desk_whose_universes_end_seconds_apart_lost_them_one_by_one() -> None:
    first, last = replace(MAIN, to_s=15.0), replace(MAIN, universes=(3,), to_s=18.0)
    stage = Stage(house_of((1, 2, 3, 4)), first, last, replace(SPARE_LIGHTS, universes=(4,))).run(20.0)
    assert [one.cause for one in stage.all] == ["path-or-sender"]


CUT_S = 15.0
TOWER = Desk("Tower", (4,), "10.0.0.4", 4)


class Listing(Desk):
    """A desk that lists all its universes, also one of which nothing comes."""

    def listed(self, t: float) -> tuple[int, ...]:
        return (1, 2, 3)


def parts_of(desk: Desk, lost: int, to_s: float = CUT_S) -> list[Desk]:
    """A desk of which one universe ends and the others continue."""
    rest = tuple(number for number in desk.universes if number != lost)
    return [replace(desk, universes=rest), replace(desk, universes=(lost,), discovery=False, to_s=to_s)]


def said(stage: Stage) -> list[str]:
    return [f"{one.rule} {one.cause}: {one.summary}" for one in stage.all]


@pytest.mark.parametrize("rests", [False, True])
@pytest.mark.parametrize("apart_s", [0.0, 0.1, -0.1])
@pytest.mark.parametrize("discovery", [False, True])
def test_lights_that_die_and_a_lost_universe_of_another_desk_are_two_incidents(
    rests: bool, apart_s: float, discovery: bool
) -> None:
    """Two causes: what the desk shows of its universe says nothing of the lights, and the reverse."""
    levels = still() if rests else moving()
    main = Listing("Main desk", (1, 2, 3), levels=levels, rests=rests, discovery=discovery)
    dead = replace(SPARE_LIGHTS, levels=levels, rests=rests, discovery=discovery, to_s=CUT_S + apart_s)
    stage = Stage(house_of((1, 2, 3, 4, 9)), *parts_of(main, 3), dead, TOWER).run(50.0)
    assert causes_of(stage) == {("e131/3",): "path-or-sender", ("e131/9",): "source-lost"}, said(stage)
    for one in stage.open:
        other = "Lights" if one.universes == ("e131/3",) else "Main desk"
        assert other not in one.summary.partition("Still working")[0], one.summary


def test_a_backup_that_dies_with_a_universe_of_the_main_is_named_where_both_sent_it() -> None:
    """Universe 2 is lost because both sources of it ended, so that one sentence names both."""
    stage = Stage(HOUSE, *parts_of(MAIN, 2), replace(SPARE, to_s=CUT_S), replace(MEDIA, levels=still())).run(40.0)
    lost = next(one for one in stage.open if one.rule == "universe-lost")
    words, _, also = lost.summary.partition("Still working")[0].partition("Nothing from")
    assert '"main desk" (10.0.0.1) is running and still sends' in words, lost.summary
    assert '"spare desk" (10.0.0.2) arrives any more' in also, lost.summary


@pytest.mark.parametrize("discovery", [False, True])
def test_a_backups_lead_that_comes_out_with_an_output_of_the_main_is_told_as_its_lead(discovery: bool) -> None:
    """Universe 2 of network A ended by both: what only the backup lost there tells of its lead alone."""
    main = [leg for part in parts_of(replace(MAIN, discovery=discovery), 2) for leg in on_both(part)]
    main = [replace(leg, to_s=CUT_S) if leg.universes == (2,) else leg for leg in main]
    stage = Stage(TWO, *main, *on_both(replace(SPARE, discovery=discovery), a_to_s=CUT_S), *on_both(SPARE_LIGHTS))
    stage.run(40.0)
    by_rule = {one.rule: one for one in stage.open if one.severity > 1}
    assert by_rule["backup-absent"].cause == "leg-lost", said(stage)
    assert "e131/1@A" in by_rule["backup-absent"].universes
    assert by_rule["universe-lost"].universes == ("e131/2@A",)
    assert by_rule["universe-lost"].cause in ("universe-withdrawn", "path-or-sender")


def test_a_backup_that_dies_with_the_lights_is_named_with_its_universes() -> None:
    """The loss of the lights' universe is reported first; a person learns then which universes have no backup."""
    lights = replace(SPARE_LIGHTS, levels=still(), rests=True, phase_s=0.4, to_s=CUT_S)
    house = house_of((1, 2, 9), sources=HOUSE.sources[:2])
    stage = Stage(house, MAIN, replace(SPARE, to_s=CUT_S), lights).run(30.0)
    lost = next(one for one in stage.open if one.rule == "universe-lost")
    assert lost.universes == ("e131/9",)
    assert '"spare desk" is silent on universes e131/1 and e131/2 too.' in lost.summary
    told = [one for one in stage.events if one.incident is not None and one.incident.id == lost.id]
    assert '"spare desk" is silent on' in told[-1].text, [(one.what, one.text) for one in told]


@pytest.mark.parametrize("after_ms", [25, 200, 400])
def test_a_desk_that_dies_with_its_sync_packets_does_not_make_its_receivers_wait(after_ms: int) -> None:
    """Its last frames come a moment after its last sync packet, and by none of them a receiver waits for another."""
    syncs = [Packet(n / 10, e131_sync(7000, n, cid=MAIN.cid), MAIN.address, group_of(7000)) for n in range(150)]
    dead = replace(MAIN, sync=7000, to_s=14.9 + after_ms / 1000)
    stage = Stage(house_of((1, 2, 4)), dead, Plain(syncs), TOWER).run(25.0)
    told = [one.incident.rule for one in stage.events if one.incident is not None]
    assert told == ["universe-lost"], [one.text for one in stage.events]


def test_groups_that_a_switch_forgets_in_one_moment_are_one_incident() -> None:
    """No multicast of data is left, and what goes on is broadcast: one cause took both desks' groups."""
    stage = Stage(HOUSE, replace(MAIN, to_s=CUT_S), replace(SPARE_LIGHTS, to_s=CUT_S), MEDIA).run(40.0)
    assert {one.cause for one in stage.open if one.rule == "universe-lost"} == {"multicast-lost"}, said(stage)


ON_TWO = tuple(DeclaredUniverse(UniverseId(Protocol.E131, n), networks=(0, 1)) for n in (1, 2, 5, 9))
TWO = replace(
    house_of(()),
    universes=ON_TWO,
    networks=(Network("A", "eth1"), Network("B", "eth2")),
    sources=HOUSE.sources[:2],
)


def on_both(desk: Desk, a_to_s: float = 1e9, b_to_s: float = 1e9) -> list[Desk]:
    """A desk with a lead to each network, which ends at two times."""
    return [replace(desk, to_s=a_to_s), replace(desk, address="10.1" + desk.address[4:], network=1, to_s=b_to_s)]


@pytest.mark.parametrize("rests", [False, True])
@pytest.mark.parametrize("apart_s", [0.0, 0.1, -0.1])
def test_a_lead_that_comes_out_as_the_other_network_goes_dark_is_no_dead_desk(rests: bool, apart_s: float) -> None:
    """Everything on B ends, and so does one of three desks on A: whether that desk runs is not known."""
    levels = still() if rests else moving()
    desks = [replace(desk, levels=levels, rests=rests) for desk in (MAIN, SPARE_LIGHTS, replace(TOWER, universes=(5,)))]
    dark_s = CUT_S + apart_s
    legs = [*on_both(desks[0], CUT_S, dark_s), *on_both(desks[1], b_to_s=dark_s), *on_both(desks[2], b_to_s=dark_s)]
    stage = Stage(TWO, *legs).run(45.0)
    by_network = {one.universes[0].partition("@")[2]: one for one in stage.open}
    assert by_network.keys() == {"A", "B"}, said(stage)
    assert by_network["B"].cause == "network-lost"
    lead = by_network["A"]
    assert lead.cause in ("unknown", "leg-lost")
    assert not any(one.incident and one.incident.cause == "source-lost" for one in stage.events)
    assert "its lead" in lead.summary
    assert "went completely silent" not in lead.summary


@pytest.mark.parametrize("early_s", [0.0, 0.005, 0.1])
def test_a_universe_whose_new_network_is_the_faster_one_is_on_the_wrong_network(early_s: float) -> None:
    """Its last frame on A is under way while its first one on B is there already."""
    universes = (*ON_TWO[:1], replace(ON_TWO[1], networks=(0,)), *ON_TWO[2:])
    home = replace(MAIN, universes=(2,), to_s=CUT_S)
    stray = replace(MAIN, universes=(2,), from_s=CUT_S - early_s, address="10.1.0.1", network=1)
    stage = Stage(
        replace(TWO, universes=universes),
        *on_both(replace(MAIN, universes=(1,))),
        *on_both(SPARE_LIGHTS),
        home,
        stray,
    )
    stage.run(CUT_S + 6.0)
    lost = next(one for one in stage.open if "e131/2@A" in one.universes)
    assert lost.cause == "wrong-network", said(stage)


@pytest.mark.parametrize("dark_s", [4.0, 8.0, 20.0, 30.0])
def test_a_universe_that_came_to_the_wrong_network_is_still_said_to_have_come_there_once_that_is_dark(
    dark_s: float,
) -> None:
    universes = (*ON_TWO[:1], replace(ON_TWO[1], networks=(0,)), *ON_TWO[2:])
    dark_at_s = CUT_S + dark_s
    main, lights = replace(MAIN, universes=(1,)), SPARE_LIGHTS
    home, stray = replace(MAIN, universes=(2,), to_s=CUT_S), replace(MAIN, universes=(2,), from_s=CUT_S, to_s=dark_at_s)
    stage = Stage(
        replace(TWO, universes=universes),
        *on_both(main, b_to_s=dark_at_s),
        *on_both(lights, b_to_s=dark_at_s),
        home,
        replace(stray, address="10.1.0.1", network=1),
    )
    stage.run(dark_at_s + 15.0)
    lost = next(one for one in stage.open if "e131/2@A" in one.universes)
    assert lost.cause == "wrong-network", said(stage)
    text = " ".join((lost.summary, *lost.evidence))
    assert "The data arrived on network B" in text
    assert "and ended there too" in text
    assert "arrives on" not in text
    assert "sends the same" not in text


@pytest.mark.parametrize("phase_s", [0.0, 0.3, 0.6])
def test_a_desk_that_dies_at_rest_began_to_be_lost_after_its_newest_frame(phase_s: float) -> None:
    """E1.31 at rest comes every 0.9 s here, Art-Net every 4 s (ANSI E1.31-2018 6.6.2; common practice)."""
    at_rest = [
        replace(SPARE_LIGHTS, universes=(number,), levels=still(), rests=True, phase_s=phase_s * place, to_s=CUT_S)
        for place, number in enumerate((1, 2))
    ]
    media = replace(MEDIA, levels=still(), to_s=CUT_S)
    stage = Stage(house_of((1, 2, 4), artnet=(0,)), *at_rest, media, TOWER).run(40.0)
    lost = next(one for one in stage.open if "e131/1" in one.universes)
    universes = stage.model.universes
    is_of_lights = universes.used & np.isin(universes.number, (1, 2)) & (universes.protocol == Protocol.E131)
    assert lost.began_ns >= int(universes.last_arrival_ns[is_of_lights].max())
    assert lost.began_ns <= START_NS + round(CUT_S * 1e9)


def test_who_returns_first_to_two_networks_is_no_reason_to_call_the_other_dead() -> None:
    """Nothing of anybody comes on either network, and one desk is back a moment before the other."""
    lights = [*on_both(SPARE_LIGHTS, CUT_S, CUT_S), *on_both(replace(SPARE_LIGHTS, from_s=CUT_S + 8.0))]
    main = [*on_both(MAIN, CUT_S, CUT_S), *on_both(replace(MAIN, from_s=CUT_S + 8.6))]
    stage = Stage(TWO, *lights, *main).run(45.0)
    causes = {one.incident.cause for one in stage.events if one.incident and one.incident.rule == "universe-lost"}
    assert causes == {"network-lost"}, said(stage)
