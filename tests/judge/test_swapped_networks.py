"""What is said while this listener's two networks are swapped, and after they are right again.

What is expected is common practice, no source: a lead that arrives on the other network is not the lead of that one.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, Network
from slotwatch.judge.orders import Resume
from slotwatch.wire.observation import QuerierWatchSeen, QuerySeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import START_NS, Desk, Stage, house_of, moving, still
from tests.judge.test_earlier import restarted

S = 1_000_000_000
SWAP_S, RIGHT_S, END_S = 12.0, 26.0, 40.0
MAIN = Desk("Main desk", (1, 2), "10.0.0.1", 1)
LIGHTS = Desk("Lights", (9,), "10.0.0.9", 9)
TEST = Desk("Test", (2,), "10.0.0.99", 99, 150)
BOTH = replace(
    house_of(()),
    networks=(Network("A", "eth1"), Network("B", "eth2")),
    sources=(DeclaredSource("main desk", cid=MAIN.cid), DeclaredSource("lights", cid=LIGHTS.cid)),
    universes=tuple(
        DeclaredUniverse(UniverseId(Protocol.E131, n), networks=(0, 1), sources=("main desk", "lights"))
        for n in (1, 2, 9)
    ),
)
ONE_ON_A = replace(BOTH, universes=(BOTH.universes[0], replace(BOTH.universes[1], networks=(0,)), BOTH.universes[2]))


def leg(desk: Desk, network: int, from_s: float = 0.0, to_s: float = END_S) -> list[Desk]:
    """What a lead of a desk brings while both networks are swapped for a time; its numbers continue."""
    address = desk.address if network == 0 else "10.1" + desk.address[4:]
    parts = []
    for on, begins_s, ends_s in ((network, 0.0, SWAP_S), (1 - network, SWAP_S, RIGHT_S), (network, RIGHT_S, END_S)):
        first_s, last_s = max(begins_s, from_s), min(ends_s, to_s)
        if first_s < last_s:
            goes_on = partial(_number, round(first_s * desk.hz))
            parts.append(replace(desk, network=on, address=address, from_s=first_s, to_s=last_s, sequence_of=goes_on))
    return parts


def _number(first: int, universe: int, index: int) -> int:
    return first + index


@pytest.mark.parametrize("out_s", [0.0, 20.0])
@pytest.mark.parametrize("rests", [False, True])
def test_what_came_by_a_network_only_through_the_swap_is_said_to_have_come_so(out_s: float, rests: bool) -> None:
    """The main desk's lead on B is out; what arrives on B while both are swapped is its lead on A."""
    levels = still() if rests else moving()
    main, lights = (replace(one, levels=levels, rests=rests) for one in (MAIN, LIGHTS))
    house = replace(BOTH, universes=BOTH.universes[:1] + BOTH.universes[2:])
    main = replace(main, universes=(1,))
    stage = Stage(house, *leg(main, 0), *leg(main, 1, to_s=out_s), *leg(lights, 0), *leg(lights, 1)).run(END_S)
    lost = next(one for one in stage.open if one.rule == "universe-lost")
    assert (lost.universes, lost.cause) == (("e131/1@B",), "leg-lost")
    assert "what came on network B from" in lost.summary
    assert "was its lead on network A" in lost.summary
    assert "lead on network B down" not in lost.summary
    assert any("came by network A before" in line for line in lost.evidence)


def test_a_lead_that_is_out_where_both_networks_use_one_address_did_not_come_from_the_other_network() -> None:
    """It was heard on A all the time."""
    ends = replace(MAIN, network=1, to_s=SWAP_S)
    shown = Stage(BOTH, MAIN, ends, LIGHTS, replace(LIGHTS, network=1)).run(END_S)
    lost = next(one for one in shown.open if one.rule == "universe-lost")
    assert (lost.universes, lost.cause) == (("e131/1@B", "e131/2@B"), "leg-lost")
    assert "lead on network B down, network A continues" in lost.summary
    assert not any("does so again" in line for line in lost.evidence)


@pytest.mark.parametrize("rests", [False, True])
def test_lead_that_was_out_before_the_swap_is_out_all_the_time(rests: bool) -> None:
    """What came on its network meanwhile came by the other lead: it is neither back, nor lost a second time."""
    levels = still() if rests else moving()
    main, lights = (replace(one, levels=levels, rests=rests) for one in (MAIN, LIGHTS))
    house = replace(BOTH, universes=BOTH.universes[:1] + BOTH.universes[2:])
    main = replace(main, universes=(1,))
    stage = Stage(house, *leg(main, 0), *leg(main, 1, to_s=5.0), *leg(lights, 0), *leg(lights, 1)).run(END_S)
    (lost,) = [one for one in stage.open if one.rule == "universe-lost"]
    assert (lost.universes, lost.cause, lost.flaps) == (("e131/1@B",), "leg-lost", 0)
    assert START_NS + 3.9 * S < lost.began_ns < START_NS + 5.1 * S
    assert "lead on network B down, network A continues. The source itself is running." in lost.summary


def test_what_came_by_a_network_only_through_the_swap_does_not_still_work_there_after_it() -> None:
    """Its stream there runs out only 2.5 s after its last packet (ANSI E1.31-2018 6.7.1)."""
    stage = Stage(BOTH, *leg(MAIN, 0), *leg(MAIN, 1, to_s=5.0), *leg(LIGHTS, 0), *leg(LIGHTS, 1))
    for step in range(1, 12):
        stage.run(RIGHT_S + step / 4)
        (lost,) = [one for one in stage.open if one.rule == "universe-lost"]
        assert not [line for line in lost.still_working if "main desk" in line and "on B" in line.replace("@", "on ")]


@pytest.mark.parametrize("home", [0, 1])
def test_a_network_on_which_only_the_swap_brought_data_is_not_said_to_have_stopped(home: int) -> None:
    """The other network carries nothing. Once the leads are right, it is as silent as it was."""
    desks = [part for one in (MAIN, LIGHTS) for part in leg(one, home)]
    shown = Stage(BOTH, *desks).run(END_S)
    (lost,) = [one for one in shown.open if one.rule == "universe-lost"]
    assert "no longer reaches this port" not in lost.summary
    assert f"Nothing comes by their own leads on network {'BA'[home]}." in lost.summary
    undeclared = Stage(replace(BOTH, universes=()), *desks).run(END_S)
    assert [one.rule for one in undeclared.all] == ["networks-swapped"]


@pytest.mark.parametrize("network", [0, 1])
def test_a_stranger_that_begins_while_networks_are_swapped_is_reported(network: int) -> None:
    desks = [part for one in (MAIN, LIGHTS) for on in (0, 1) for part in leg(one, on)]
    stage = Stage(BOTH, *desks, *leg(TEST, network, from_s=SWAP_S + 3.0)).run(RIGHT_S - 1.0)
    assert "networks-swapped" in {one.rule for one in stage.open}
    stranger = next(one for one in stage.open if one.rule == "unexpected-source")
    assert stranger.sources == ("Test",)
    assert "It is in control. At priority 150 it takes 512 slots" in stranger.summary


def test_a_stranger_in_control_on_two_networks_is_said_to_take_both() -> None:
    """Its packets' priority wins on each (E1.31 6.2.3): both networks must be looked at."""
    desks = [part for one in (MAIN, LIGHTS, TEST) for on in (0, 1) for part in leg(one, on, to_s=SWAP_S)]
    summary = Stage(BOTH, *desks).run(SWAP_S - 2.0).rule("unexpected-source").summary
    takes = 'it takes 512 slots each of universe e131/2 on A and B from "main desk" (10.0.0.1 and 10.1.0.1).'
    assert takes in summary


def test_a_stranger_that_goes_on_through_the_swap_is_never_over() -> None:
    """It arrives on the other network then, and what it takes there is what is said of it."""
    desks = [part for one in (MAIN, LIGHTS) for on in (0, 1) for part in leg(one, on)]
    stage = Stage(BOTH, *desks, *leg(TEST, 0, from_s=5.0))
    told: dict[float, str] = {}
    for step in range(6 * 4, round((SWAP_S + 6.0) * 4)):
        at_s = 2.0 + step / 4
        found = [one for one in stage.run(at_s).open if one.rule == "unexpected-source"]
        if at_s > 7.0:
            assert [one.returned_ns for one in found] == [None], (at_s, [one.summary for one in found])
            told[at_s] = found[0].summary
    assert "it takes 512 slots of e131/2@A" in told[SWAP_S - 1.0]
    assert "it takes 512 slots of e131/2@B" in told[SWAP_S + 7.5]


def test_what_was_undeclared_only_by_the_swap_is_no_fault_after_it() -> None:
    """The main desk's universe 2, of A alone, arrived on B for as long as both were swapped."""
    desks = [*leg(MAIN, 0), *leg(replace(MAIN, universes=(1,)), 1), *leg(LIGHTS, 0), *leg(LIGHTS, 1)]
    stage = Stage(ONE_ON_A, *desks).run(END_S)
    assert [one for one in stage.all if one.rule == "undeclared-universe" and not one.part_of] == []


def test_a_stranger_on_a_universe_of_one_network_is_reported_though_networks_are_swapped() -> None:
    """The main desk's universe 2 arrives on B meanwhile, so that the stranger has it on A alone."""
    desks = [*leg(MAIN, 0), *leg(replace(MAIN, universes=(1,)), 1), *leg(LIGHTS, 0), *leg(LIGHTS, 1)]
    stage = Stage(ONE_ON_A, *desks, *leg(TEST, 1, from_s=SWAP_S + 3.0)).run(RIGHT_S - 1.0)
    assert {one.rule for one in stage.open} == {"networks-swapped", "unexpected-source"}
    stranger = stage.rule("unexpected-source")
    assert (stranger.sources, stranger.universes) == (("Test",), ("e131/2@A",))
    after = stage.run(END_S).rule("unexpected-source")
    assert not any("part of" in entry.text for entry in after.timeline)


@pytest.mark.slow
@pytest.mark.parametrize(("apart_s", "count"), [(0.0, 1), (40.0, 1), (130.0, 2)])
@pytest.mark.parametrize("addresses", [("10.0.0.254", "10.0.0.254"), ("10.0.0.254", "10.1.0.254")])
def test_queriers_of_two_networks_that_end_as_one_are_one_incident(
    apart_s: float, count: int, addresses: tuple[str, str]
) -> None:
    """RFC 2236 8.2: a querier asks every 125 s, so that one device may have asked the two so far apart."""
    stage = Stage(BOTH)
    for network, address in enumerate(addresses):
        at_s = 1.0 + apart_s * network
        stage.see(at_s, QuerySeen(START_NS + round(at_s * S), network, address, "igmp2", 10.0))
    stage.run(263.0 + apart_s)
    found = [one for one in stage.all if one.rule == "querier-absent"]
    assert len(found) == count, [one.summary for one in found]
    if count == 1:
        named = addresses[0] if len(set(addresses)) == 1 else " and ".join(addresses)
        assert found[0].summary.startswith("Networks A and B: the multicast querier")
        assert f"{named} ha" in found[0].summary
        assert len([line for line in found[0].evidence if line.startswith("Last IGMP query")]) == 2


@pytest.mark.slow
def test_that_no_network_has_a_querier_is_one_note() -> None:
    stage = Stage(BOTH)
    for network in (0, 1):
        stage.see(1.0, QuerierWatchSeen(START_NS + S, network, True))
    note = stage.run(263.0).rule("querier-absent")
    assert note.summary.startswith("Networks A and B: no multicast querier was ever heard.")
    assert len(note.evidence) == 2


@pytest.mark.parametrize("back_s", [15.0, 18.0, 22.0])
def test_lead_that_comes_back_during_the_swap_is_back_since_then(back_s: float) -> None:
    """It arrives on the other network, as all of its network does: how long it was out is known all the same."""
    house = replace(BOTH, universes=BOTH.universes[:1] + BOTH.universes[2:])
    main = replace(MAIN, universes=(1,))
    leads = [*leg(main, 0), *leg(main, 1, to_s=5.0), *leg(main, 1, from_s=back_s), *leg(LIGHTS, 0), *leg(LIGHTS, 1)]
    stage = Stage(house, *leads).run(END_S)
    (lost,) = [one for one in stage.all if one.rule == "universe-lost"]
    assert lost.returned_ns is not None and abs(lost.returned_ns - START_NS - back_s * S) < 0.1 * S
    assert f"It lasted {back_s - 5.0:.1f} s." in lost.summary


@pytest.mark.parametrize("both_declared", [False, True])
@pytest.mark.parametrize("home", [0, 1])
def test_a_swap_of_which_one_network_was_silent_is_no_loss_of_the_sources(both_declared: bool, home: int) -> None:
    """Two sources at once do not both come up elsewhere: it is what they share, and that is this listener's lead."""
    universes = tuple(replace(one, networks=(0, 1) if both_declared else (home,)) for one in BOTH.universes)
    stage = Stage(replace(BOTH, universes=universes), *leg(MAIN, home), *leg(LIGHTS, home)).run(RIGHT_S - 2.0)
    swapped = next(one for one in stage.open if one.rule == "networks-swapped")
    here, there = ("A", "B") if home == 0 else ("B", "A")
    assert (
        f"what belongs to network {here} arrives on network {there}, and nothing arrives on network {here}."
        in swapped.summary
    )
    assert "and the reverse" not in swapped.summary and str(swapped.confidence) == "medium"
    assert "universe-lost" not in {one.rule for one in stage.all}


@pytest.mark.parametrize("other", ["none", "stays", "later"])
def test_one_source_that_moves_alone_or_later_than_another_is_no_swap(other: str) -> None:
    alone = [replace(MAIN, to_s=SWAP_S), replace(MAIN, network=1, from_s=SWAP_S)]
    lights = {
        "none": [],
        "stays": [LIGHTS],
        "later": [replace(LIGHTS, to_s=SWAP_S + 4.0), replace(LIGHTS, network=1, from_s=SWAP_S + 4.0)],
    }[other]
    stage = Stage(BOTH, *alone, *lights).run(SWAP_S + 12.0)
    assert "networks-swapped" not in {one.rule for one in stage.all}


@pytest.mark.parametrize("right_s", [None, 8.0])
def test_after_a_restart_in_the_middle_of_a_swap_nobody_claims_that_it_lasts(right_s: float | None) -> None:
    """What the new judgement hears first is swapped. A move after that is the way back, not another swap."""
    desks = [part for one in (MAIN, LIGHTS) for on in (0, 1) for part in leg(one, on)]
    before = Stage(BOTH, *desks).run(RIGHT_S - 6.0)
    assert "networks-swapped" in {one.rule for one in before.open}
    after = []
    for one in (MAIN, LIGHTS):
        for on in (0, 1):
            address = one.address if on == 0 else "10.1" + one.address[4:]
            after.append(replace(one, network=1 - on, address=address, to_s=right_s or END_S))
            if right_s:
                after.append(replace(one, network=on, address=address, from_s=right_s))
    stage = restarted(BOTH, before.open, RIGHT_S - 6.0, 1.5, *after)
    (found,) = [one for one in stage.run(6.0).open if one.rule == "networks-swapped"]
    assert found.summary.endswith("Whether they still are is not known since this listener restarted.")
    if right_s:
        (found,) = [one for one in stage.run(14.0).open if one.rule == "networks-swapped"]
        assert "had been swapped since" in found.summary and "so they are right again unless" in found.summary
        assert "have been swapped" not in found.summary


@pytest.mark.parametrize("is_contradicted", [False, True])
def test_a_listener_that_starts_while_its_networks_are_swapped_says_that_they_may_be(is_contradicted: bool) -> None:
    """Universe 2 belongs to A alone and arrives on B; the others belong to both, and look the same either way. One that
    belongs to B alone and arrives there shows that the networks are right."""
    house = ONE_ON_A
    if is_contradicted:
        house = replace(house, universes=(*house.universes[:2], replace(house.universes[2], networks=(1,))))
    on_a, on_b = replace(MAIN, universes=(1,)), replace(MAIN, network=1, address="10.1.0.1")
    lights = [replace(LIGHTS, network=1, address="10.1.0.9"), *([] if is_contradicted else [LIGHTS])]
    stage = Stage(house, on_a, on_b, *lights).run(20.0)
    missing = next(one for one in stage.open if one.rule == "universe-missing")
    assert (missing.universes, missing.cause) == (("e131/2@A",), "wrong-network")
    assert any(
        line.endswith("sends it on network B, where it is not declared: a lead or a VLAN may be wrong.")
        for line in missing.evidence
    )
    swapped = [line for line in missing.also_possible if "swapped" in line]
    assert swapped == (
        []
        if is_contradicted
        else [
            "this listener's networks A and B are swapped: nothing that is declared on only one of them is heard on it"
        ]
    )


HOMES = tuple(
    (name, source, f"{prefix}.{host}")
    for name, prefix in (("A", "10.0.0"), ("B", "10.1.0"))
    for source, host in (("main desk", 1), ("lights", 9))
)
"""What the history knows of before the restart."""


def after_a_restart(*desks: Desk, homes: tuple[tuple[str, str, str], ...] = HOMES, until_s: float = END_S) -> Stage:
    stage = Stage(BOTH, *desks).run(0.3)
    stage.judge.command(Resume(homes=homes))
    return stage.run(until_s)


def leads(*, swapped_until_s: float) -> list[Desk]:
    """Both leads of both desks, exchanged from the start until then."""
    found = []
    for desk in (MAIN, LIGHTS):
        for home in (0, 1):
            address = desk.address if home == 0 else "10.1" + desk.address[4:]
            found.append(replace(desk, address=address, network=1 - home, to_s=swapped_until_s))
            goes_on = partial(_number, round(swapped_until_s * desk.hz))
            found.append(replace(desk, address=address, network=home, from_s=swapped_until_s, sequence_of=goes_on))
    return found


def test_networks_that_were_swapped_while_nobody_listened_are_found_where_both_carry_the_same() -> None:
    """Nothing that is declared tells the two apart, only under which addresses the desks came by each of them."""
    swapped = after_a_restart(*leads(swapped_until_s=END_S), until_s=12.0).rule("networks-swapped")
    assert swapped.closed_ns is None
    assert (
        "have been swapped since 08:16:40, or since an earlier moment in which it did not listen: " in swapped.summary
    )
    assert "what belongs to network A arrives on network B and the reverse" in swapped.summary
    assert any(
        "was heard on network A before this listener restarted and arrives on network B." in one
        for one in swapped.evidence
    )


def test_networks_that_are_swapped_after_a_restart_are_said_to_be_since_then() -> None:
    """It listened as they were, so no earlier moment comes into question, also where they were swapped before that."""
    right = [desk for desk in leads(swapped_until_s=0.0) if desk.to_s]
    later = [
        replace(desk, network=1 - desk.network, from_s=15.0, sequence_of=partial(_number, round(15 * desk.hz)))
        for desk in right
    ]
    swapped = after_a_restart(*(replace(desk, to_s=15.0) for desk in right), *later, until_s=25.0).rule(
        "networks-swapped"
    )
    assert (
        "have been swapped since 08:16:55: what belongs to network A arrives on network B and the reverse."
        in swapped.summary
    )
    assert not any("restarted" in one for one in swapped.evidence), swapped.evidence


def test_it_ends_when_the_networks_are_right_again() -> None:
    stage = after_a_restart(*leads(swapped_until_s=15.0), until_s=30.0)
    swapped = stage.rule("networks-swapped")
    assert swapped.closed_ns is not None and swapped.closed_ns < START_NS + 22 * S
    assert [one.rule for one in stage.open] == []


@pytest.mark.parametrize("homes", [HOMES, (), (("C", "main desk", "10.0.0.1"), ("A", "stranger", "10.1.0.9"))])
def test_networks_that_are_as_before_a_restart_are_not_called_swapped(homes: tuple[tuple[str, str, str], ...]) -> None:
    assert after_a_restart(*leads(swapped_until_s=0.0), homes=homes, until_s=12.0).all == []


@pytest.mark.parametrize("homes", [HOMES, ()])
def test_a_desk_that_comes_back_under_another_identity_is_reported_though_its_network_is_known(
    homes: tuple[tuple[str, str, str], ...],
) -> None:
    """ANSI E1.31-2018 5.6: another CID is another component, also at the same address."""
    by_name = tuple(replace(one, cid=None, source_name=one.name.capitalize()) for one in BOTH.sources)
    first = [replace(desk, to_s=15.0) for desk in leads(swapped_until_s=0.0) if desk.to_s and desk.name == MAIN.name]
    again = [replace(desk, cid=bytes([77]) * 16, from_s=18.0, to_s=END_S) for desk in first]
    lights = [desk for desk in leads(swapped_until_s=0.0) if desk.to_s and desk.name == LIGHTS.name]
    stage = Stage(replace(BOTH, sources=by_name), *first, *again, *lights).run(0.3)
    stage.judge.command(Resume(homes=homes))
    assert "with a new identity (CID)" in stage.run(30.0).rule("identity-changed").summary


def test_one_desk_whose_lead_moved_while_nobody_listened_swaps_no_networks() -> None:
    moved, beside = replace(MAIN, network=1), replace(LIGHTS, network=1, address="10.1.0.9")
    stage = after_a_restart(moved, LIGHTS, beside, until_s=12.0)
    assert "networks-swapped" not in {one.rule for one in stage.all}
