"""A universe that arrives on another network than its own: only that network may be the wrong one.

What a person expects to read is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

from slotwatch.house.schema import DeclaredSource, House, Network
from slotwatch.snapshot import Incident
from tests.judge.stage import Desk, Stage, house_of

MAIN = Desk("Main desk", (1, 2), "10.0.0.1", 1)


class Lister(Desk):
    """It lists universe 2 and sends nothing that reaches this port."""

    def listed(self, t: float) -> tuple[int, ...]:
        return (2,)


SOURCES = (
    DeclaredSource("main desk", cid=MAIN.cid),
    DeclaredSource("spare desk", cid=bytes([2]) * 16, role="backup", priority=90),
)


def house() -> House:
    """Two networks; universes 1 and 2 are declared on A."""
    return replace(
        house_of((1, 2), sources=SOURCES, by=("main desk", "spare desk")),
        networks=(Network("A", "eth1"), Network("B", "eth2")),
    )


def on_both() -> House:
    """The same house with its universes on both networks."""
    return replace(house(), universes=tuple(replace(one, networks=(0, 1)) for one in house().universes))


def missing(*senders: object) -> Incident:
    (one,) = (each for each in Stage(house(), *senders).run(16.0).all if each.rule == "universe-missing")
    return one


def test_a_desk_that_sends_one_universe_on_another_network_is_not_on_both_the_wrong_one() -> None:
    here, there = replace(MAIN, universes=(1,)), replace(MAIN, universes=(2,), network=1)
    lost = missing(here, there)
    assert (lost.cause, lost.universes) == ("wrong-network", ("e131/2@A",))
    assert lost.next_checks[0] == 'Look at the lead of "main desk": it may be plugged into a port of network B.'


def test_only_the_source_that_another_network_alone_hears_may_be_plugged_in_wrongly() -> None:
    """It lists there what is missing here (ANSI E1.31-2018 4.3); the other one is where it belongs."""
    here = replace(MAIN, universes=(1,), discovery=True)
    there = Lister("Spare desk", (), "10.0.0.2", 2, discovery=True, network=1)
    lost = missing(here, there)
    assert lost.cause == "wrong-network"
    assert lost.next_checks[0] == 'Look at the lead of "spare desk": it may be plugged into a port of network B.'


def test_a_source_that_sends_it_where_it_belongs_too_is_on_no_wrong_network() -> None:
    """Declared on both: what is missing is a lead, and the other network is right as it is."""
    there = replace(MAIN, network=1, discovery=True)
    spare = Desk("Spare desk", (1,), "10.0.0.2", 2, 90)
    shown = Stage(on_both(), there, spare).run(16.0)
    lost = next(one for one in shown.all if one.rule == "universe-missing" and one.universes == ("e131/2@A",))
    assert lost.cause == ""
    assert lost.summary.endswith('"main desk" (10.0.0.1) sends it on network B and is not heard on network A.')
    assert lost.next_checks[0] == 'Look at the lead of "main desk" on network A: link lamp at both ends.'


def test_two_sources_without_a_lead_have_a_switch_port_each() -> None:
    there = replace(MAIN, network=1, discovery=True)
    spare = Desk("Spare desk", (1, 2), "10.0.0.2", 2, 90, network=1, discovery=True)
    shown = Stage(on_both(), there, spare, Desk("Guest", (9,), "10.0.0.9", 9)).run(16.0)
    lost = next(one for one in shown.all if one.rule == "universe-missing" and "e131/2@A" in one.universes)
    assert "Look at their switch ports on network A." in lost.next_checks, lost.next_checks


def test_where_nothing_at_all_is_heard_on_a_network_no_lead_of_one_source_is_looked_at() -> None:
    shown = Stage(on_both(), replace(MAIN, network=1, discovery=True)).run(16.0)
    lost = next(one for one in shown.all if one.rule == "universe-missing")
    assert lost.next_checks[0] == "Look at the sources of this network: is any of them on and sending?"


def test_a_source_that_is_heard_on_its_other_network_only_since_it_ended_on_one_has_lost_a_lead() -> None:
    """As after a restart of this listener, which hears at rest one network first. It belongs on both."""
    here, there = replace(MAIN, to_s=14.0), replace(MAIN, network=1, from_s=14.2, discovery=True)
    spare = Desk("Spare desk", (1,), "10.0.0.2", 2, 90)
    shown = Stage(on_both(), here, there, spare).run(20.0)
    lost = next(one for one in shown.all if one.rule == "universe-lost" and one.universes == ("e131/2@A",))
    assert lost.cause == "leg-lost"
    assert "instead of" not in lost.summary
