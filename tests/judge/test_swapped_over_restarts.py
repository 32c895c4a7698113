"""Two networks that are swapped before a listener starts, while it is away, or over its restart.

What is expected is common practice, no source: one exchange of leads is one incident, and it lasts as long as they are
exchanged.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Network
from slotwatch.judge.orders import Resume
from slotwatch.snapshot import Incident
from slotwatch.views.records import incident_of, record
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import START_NS, WALL_OFFSET_NS, Desk, S, Stage
from tests.judge.test_swapped_networks import BOTH, HOMES, LIGHTS, MAIN, ONE_ON_A, SWAP_S, TEST, leg

STOPPED_S, AWAY_S, END_S = 20.0, 1.5, 50.0
Legs = tuple[tuple[Desk, int], ...]
Homes = tuple[tuple[str, str, str], ...]
ON_A, ON_B = ((MAIN, 0), (LIGHTS, 0)), ((MAIN, 1), (LIGHTS, 1))
SPARE = Desk("Spare", (9,), "10.1.0.77", 77, 90, network=1)
OWN = replace(BOTH, universes=tuple(replace(one, networks=(int(one.id.number == 9),)) for one in BOTH.universes))
"""Each universe on one network alone: 9 on B, the others on A."""


def lead(desk: Desk, home: int, *, swapped: bool, from_s: float = 0.0, to_s: float = END_S) -> Desk:
    address = desk.address if home == 0 else "10.1" + desk.address[4:]
    first = round(from_s * desk.hz)
    return replace(
        desk,
        network=1 - home if swapped else home,
        address=address,
        from_s=from_s,
        to_s=to_s,
        sequence_of=lambda universe, index: first + index,
    )


def at(legs: Legs, *, swapped_until_s: float) -> list[Desk]:
    """Leads that are exchanged from the start until then."""
    wrong = [lead(desk, home, swapped=True, to_s=swapped_until_s) for desk, home in legs if swapped_until_s]
    return [*wrong, *(lead(desk, home, swapped=False, from_s=swapped_until_s) for desk, home in legs)]


def started_again(left: Iterable[Incident], *desks: Desk, house: House = BOTH, homes: Homes = HOMES) -> Stage:
    """A new judgement that knows what the history kept of the one before."""
    offset_ns = WALL_OFFSET_NS + round((STOPPED_S + AWAY_S) * S)
    after = Stage(house, *desks, wall_offset_ns=offset_ns).run(0.3)
    kept = tuple(incident_of(record(one), offset_ns) for one in left)
    after.judge.command(Resume(next_id=1 + len(kept), incidents=kept, homes=homes))
    return after


@pytest.mark.parametrize("legs", [ON_A + ON_B, ON_A, ON_B], ids=["both", "only-a", "only-b"])
@pytest.mark.parametrize("right_s", [None, 15.0])
def test_a_swap_is_one_incident_through_a_restart_until_it_is_put_right(legs: Legs, right_s: float | None) -> None:
    before = Stage(BOTH, *(part for desk, home in legs for part in leg(desk, home))).run(STOPPED_S)
    (left,) = [one for one in before.open if one.rule == "networks-swapped"]
    stage = started_again(before.open, *at(legs, swapped_until_s=right_s or END_S)).run(END_S)
    found = stage.rule("networks-swapped")
    assert found.id == left.id
    assert "have been swapped since 08:16:52: what belongs to network" in found.summary
    if right_s is None:
        assert found.closed_ns is None
        assert {one.rule for one in stage.open} == {"networks-swapped"}
    else:
        assert found.closed_ns is not None and found.closed_ns <= START_NS + (right_s + 4.0) * S


@pytest.mark.parametrize("legs", [ON_A + ON_B, ON_A, ON_B], ids=["both", "only-a", "only-b"])
def test_a_swap_that_was_put_right_while_nobody_listened_is_over(legs: Legs) -> None:
    before = Stage(BOTH, *(part for desk, home in legs for part in leg(desk, home))).run(STOPPED_S)
    stage = started_again(before.open, *at(legs, swapped_until_s=0.0)).run(5.0)
    found = stage.rule("networks-swapped")
    assert found.closed_ns is not None
    assert found.timeline[-1].text == "It was over when this listener restarted."
    assert "is not known" not in found.summary


def test_a_network_that_the_house_file_lists_before_the_two_does_not_hide_that_they_are_right() -> None:
    """Common practice, no source: what has a name is known by it, and not by its place in a list."""
    before = Stage(BOTH, *(part for desk, home in ON_B for part in leg(desk, home))).run(STOPPED_S)
    universes = tuple(replace(one, networks=(1, 2)) for one in BOTH.universes)
    house = replace(BOTH, networks=(Network("C", "eth3"), *BOTH.networks), universes=universes)
    desks = [replace(desk, network=desk.network + 1) for desk in at(ON_B, swapped_until_s=0.0)]
    assert started_again(before.open, *desks, house=house).run(5.0).rule("networks-swapped").closed_ns is not None


def test_a_source_of_a_third_network_does_not_show_that_two_others_are_right_again() -> None:
    """It is heard first after the restart."""
    haze = Desk("Haze", (20,), "10.2.0.5", 5, network=2)
    on_c = DeclaredUniverse(UniverseId(Protocol.E131, 20), networks=(2,), sources=("haze",))
    house = replace(
        BOTH,
        networks=(*BOTH.networks, Network("C", "eth3")),
        sources=(*BOTH.sources, DeclaredSource("haze", cid=haze.cid)),
        universes=(*BOTH.universes, on_c),
    )
    before = Stage(house, *(part for desk, home in ON_A + ON_B for part in leg(desk, home)), haze).run(STOPPED_S)
    (left,) = before.open
    late = [lead(desk, home, swapped=True, from_s=1.0) for desk, home in ON_A + ON_B]
    homes = (*HOMES, ("C", "haze", haze.address))
    found = started_again((left,), *late, haze, house=house, homes=homes).run(20.0).only()
    assert (found.id, found.closed_ns, found.flaps) == (left.id, None, 0)
    assert found.summary == left.summary


@pytest.mark.parametrize("legs", [ON_A, ON_B], ids=["only-a", "only-b"])
def test_a_swap_while_nobody_listened_is_found_where_one_network_was_silent(legs: Legs) -> None:
    stage = started_again((), *at(legs, swapped_until_s=END_S)).run(20.0)
    found = stage.only()
    assert (found.rule, found.closed_ns, str(found.confidence)) == ("networks-swapped", None, "medium")
    assert "or since an earlier moment in which it did not listen" in found.summary


def test_networks_that_were_swapped_before_the_first_start_are_not_swapped_when_they_are_put_right() -> None:
    """The main desk's universe 2 belongs to A alone, and shows it. Nobody's identity has changed then."""
    legs = ((MAIN, 0), (replace(MAIN, universes=(1,)), 1), (LIGHTS, 0), (LIGHTS, 1))
    stage = Stage(ONE_ON_A, *at(legs, swapped_until_s=STOPPED_S)).run(40.0)
    assert {"networks-swapped", "identity-changed"}.isdisjoint(one.rule for one in stage.all), stage.reported()


def test_a_source_that_changes_its_address_after_networks_were_put_right_is_reported() -> None:
    legs = ((MAIN, 0), (replace(MAIN, universes=(1,)), 1), (LIGHTS, 0), (LIGHTS, 1))
    desks = at(legs, swapped_until_s=STOPPED_S)
    own = next(one for one in desks if one.address == MAIN.address and one.network == 0)
    desks.remove(own)
    changed = replace(own, address="10.0.0.50", from_s=30.0)
    stage = Stage(ONE_ON_A, *desks, replace(own, to_s=30.0), changed).run(40.0)
    assert stage.rule("identity-changed").summary == '"main desk" (10.0.0.50) came back under a new address.'


def test_a_swap_of_before_the_first_start_that_the_house_file_shows_ends_when_it_is_put_right() -> None:
    stage = Stage(OWN, *at(((MAIN, 0), (LIGHTS, 1)), swapped_until_s=STOPPED_S)).run(40.0)
    found = stage.rule("networks-swapped")
    assert found.closed_ns is not None and found.closed_ns <= START_NS + (STOPPED_S + 4.0) * S
    assert stage.open == []


def test_a_lead_that_takes_the_place_of_the_other_one_is_no_loss_of_its_sources() -> None:
    """What was on B ends in that moment: its lead is out."""
    leads = [part for desk in (MAIN, LIGHTS) for part in leg(desk, 0)]
    stage = Stage(BOTH, *leads, replace(SPARE, to_s=SWAP_S)).run(SWAP_S + 10.0)
    found = stage.rule("networks-swapped")
    assert "what belongs to network A arrives on network B, and nothing arrives on network A." in found.summary
    assert not any("e131/1@A" in one.universes for one in stage.open if one.rule == "universe-lost")


def test_a_universe_that_arrives_on_the_wrong_network_alone_is_one_incident() -> None:
    """Its data on the other network is no second fault, and a switch that brings a group unasked brings it with them.

    RFC 4541 2.1: a snooping switch forwards a group only where it was asked for.
    """
    legs = ((MAIN, 0), (replace(MAIN, universes=(1,)), 1), (LIGHTS, 0), (LIGHTS, 1))
    stage = Stage(ONE_ON_A, *at(legs, swapped_until_s=STOPPED_S)).run(14.0)
    (found,) = stage.open
    assert (found.rule, found.cause, found.universes) == ("universe-missing", "wrong-network", ("e131/2@A",))
    assert {rule for rule, _ in found.explains} == {"undeclared-universe", "flooded-groups"}
    assert any("are swapped" in line for line in found.also_possible)
    stage.run(40.0)
    assert stage.open == []
    assert [one.rule for one in stage.all if not one.part_of] == ["universe-missing"]


def test_a_universe_on_the_wrong_network_is_not_called_numbered_off() -> None:
    stage = Stage(ONE_ON_A, *at(ON_A, swapped_until_s=END_S)).run(14.0)
    others = next(one for one in stage.open if "e131/1@A" in one.universes)
    assert "e131/2@B" not in " ".join((others.summary, *others.evidence))


def test_an_undeclared_universe_beside_one_on_the_wrong_network_stays_an_incident() -> None:
    legs = ((MAIN, 0), (replace(MAIN, universes=(1,)), 1), (LIGHTS, 0), (LIGHTS, 1))
    stage = Stage(ONE_ON_A, *at(legs, swapped_until_s=END_S), replace(TEST, universes=(30,), network=1)).run(14.0)
    found = next(one for one in stage.open if one.rule == "undeclared-universe")
    assert found.universes == ("e131/30@B",)
