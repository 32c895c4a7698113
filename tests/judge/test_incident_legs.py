"""An incident names on which networks its sources were heard, and whether they still send there."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Network
from slotwatch.snapshot import IncidentLeg
from slotwatch.views.incidents import incident
from slotwatch.views.records import incident_of, record
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import WALL_OFFSET_NS, Desk, Stage, house_of

MAIN = Desk("Main desk", (1, 2), "10.0.0.1", 1)
B = replace(MAIN, address="10.1.0.1", network=1)
OTHER = Desk("Tower", (3,), "10.0.0.3", 3)


def two_networks() -> House:
    universes = tuple(
        DeclaredUniverse(UniverseId(Protocol.E131, number), networks=(0, 1) if number < 3 else (0,))
        for number in (1, 2, 3)
    )
    networks = (Network("A", "eth1"), Network("B", "eth2"))
    return replace(
        house_of(()), universes=universes, networks=networks, sources=(DeclaredSource("main desk", cid=MAIN.cid),)
    )


def test_a_source_with_one_lead_out_names_both_its_networks() -> None:
    stage = Stage(two_networks(), replace(MAIN, to_s=10.0), B, OTHER).run(14.0)
    found = stage.rule("universe-lost")
    legs = (IncidentLeg("main desk", "A", "silent"), IncidentLeg("main desk", "B", "live"))
    assert found.legs == legs
    assert incident(found)["legs"][0] == {"source": "main desk", "network": "A", "state": "silent"}
    assert incident_of(record(found), WALL_OFFSET_NS).legs == legs


def test_legs_stay_as_they_were_once_the_fault_is_over() -> None:
    back = replace(MAIN, from_s=16.0)
    found = Stage(two_networks(), replace(MAIN, to_s=10.0), back, B, OTHER).run(18.0).rule("universe-lost")
    assert found.returned_ns is not None and found.legs[0].state == "silent"


def test_a_clean_stop_is_a_terminated_leg() -> None:
    ends = replace(MAIN, to_s=10.0, terminate=True)
    found = Stage(two_networks(), ends, replace(B, to_s=10.0, terminate=True), OTHER).run(14.0).rule("universe-lost")
    assert {one.state for one in found.legs} == {"terminated"}


class Lister(Desk):
    """Its discovery list alone: no switch passes groups on that nobody joined there."""

    def listed(self, t: float) -> tuple[int, ...]:
        return (3,)


def test_a_source_that_moves_to_a_network_where_it_was_once_is_on_the_wrong_network() -> None:
    """At get-in its lead was in the other switch for a moment; a list comes every 10 s (ANSI E1.31-2018 4.3)."""
    once, again = (
        Lister(OTHER.name, (), "10.1.0.3", 3, from_s=from_s, to_s=to_s, network=1, discovery=True, cid=OTHER.cid)
        for from_s, to_s in ((0.0, 9.0), (51.5, 100.0))
    )
    senders = (MAIN, B, replace(OTHER, to_s=50.0), once, again)
    found = Stage(two_networks(), *senders).run(60.0).rule("universe-lost")
    assert found.cause == "wrong-network"
    assert '"Tower" runs but came up on network B instead of network A.' in found.summary


SPARE = replace(MAIN, name="Spare desk", address="10.0.0.2", number=2, cid=bytes([2]) * 16, priority=90)
SPARE_B = replace(SPARE, address="10.1.0.2", network=1)


def two_desks() -> House:
    declared = two_networks()
    spare = DeclaredSource("spare desk", cid=SPARE.cid, role="backup")
    by = ("main desk", "spare desk")
    universes = tuple(replace(one, sources=by) if one.id.number < 3 else one for one in declared.universes)
    return replace(declared, universes=universes, sources=(*declared.sources, spare))


def test_a_backup_with_two_leads_is_named_once_with_both_addresses() -> None:
    senders = (replace(MAIN, to_s=10.0), replace(B, to_s=10.0), SPARE, SPARE_B, OTHER)
    found = Stage(two_desks(), *senders).run(14.0).rule("source-absent")
    both = '"spare desk" (10.0.0.2 and 10.1.0.2)'
    assert found.summary.endswith(f"{both} carries on.")
    assert [line for line in found.still_working if "spare desk" in line] == [
        f"backup {both} is sending universes e131/1 and e131/2 on A and B"
    ]


def test_two_sources_cut_off_from_one_network_together_share_something_there() -> None:
    """Two leads that fail in one moment are less likely than one switch (common practice, no source)."""
    cut = (replace(MAIN, to_s=10.0), B, replace(SPARE, to_s=10.0), SPARE_B, OTHER)
    found = Stage(two_desks(), *cut).run(14.0).rule("universe-lost")
    assert found.cause == "leg-lost"
    assert (
        '"main desk" and "spare desk" were cut off from network A together; network B continues. '
        "Look first at what they share there. The sources themselves are running."
    ) in found.summary
    assert found.next_checks[0] == "Look at what both sources share on network A: switch, supply, uplink."
    assert "the leads themselves, both at once" in found.also_possible
