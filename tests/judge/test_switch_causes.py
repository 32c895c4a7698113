"""What switches add to causes, beyond what the scenarios play: two faults at once, and what must not be believed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource
from slotwatch.rehearse.pretend_switch import PretendPort, PretendSwitch
from slotwatch.snapshot import Severity
from slotwatch.wire.observation import NeighbourSeen
from tests.judge.cases import Play, desk
from tests.judge.stage import START_NS, S, Stage, house_of
from tests.judge.switches import FOH, polled

MAIN = DeclaredSource("main desk", address="10.0.0.1")
LIGHTS = DeclaredSource("house lights", address="10.0.0.2")
HOUSE = house_of((1, 2), min_refresh_hz=5, sources=(MAIN, LIGHTS), switches=(FOH,))
MACS = (("02:00:00:00:00:01", 3), ("02:00:00:00:00:02", 4))
ADDRESSES = (("10.0.0.1", MACS[0][0]), ("10.0.0.2", MACS[1][0]))
NEVER = 1e12


def switch(main_down: tuple[float, float], lights_down: tuple[float, float], says_when: bool = True) -> PretendSwitch:
    ports = (
        PretendPort("1"),
        PretendPort("2"),
        PretendPort("3", down=main_down, says_when=says_when),
        PretendPort("4", down=lights_down, says_when=says_when),
    )
    return PretendSwitch("FOH", ports, MACS, ADDRESSES)


def shown(play: Play, until_s: float) -> Stage:
    stage = Stage(HOUSE, *(one for one in play if not isinstance(one, tuple)))
    for one in play:
        if isinstance(one, tuple):
            stage.see(*one)
    return stage.run(until_s)


def lost(stage: Stage) -> dict[tuple[str, ...], tuple[str, str]]:
    found = [one for one in stage.all if one.rule == "universe-lost"]
    return {one.universes: (one.cause, str(one.confidence)) for one in found}


def test_two_leads_pulled_one_after_the_other_are_two_faults() -> None:
    """Without the switch the last one may be the path: nothing else is heard then."""
    desks = [desk(1, (1,), to_s=13.0), desk(2, (2,), to_s=8.0)]
    stage = shown([*desks, *polled(switch((13.0, NEVER), (8.0, NEVER)), 40.0)], 40.0)
    assert lost(stage) == {("e131/2",): ("source-lost", "certain"), ("e131/1",): ("source-lost", "certain")}
    unseen = {("e131/2",): ("source-lost", "high"), ("e131/1",): ("source-lost", "medium")}
    assert lost(shown(desks, 40.0)) == unseen


def test_another_device_at_its_address_later_does_not_move_it_to_another_port() -> None:
    """RFC 5227: a second host may answer for the address of a desk whose lead is out."""
    answers = [(2.0, MACS[0][0]), *((20.0 + 2 * n, ("02:00:00:00:00:99", MACS[0][0])[n % 2]) for n in range(5))]
    claims = [(t_s, NeighbourSeen(START_NS + round(t_s * S), 0, "10.0.0.1", mac, True)) for t_s, mac in answers]
    polls = polled(switch((13.0, NEVER), (NEVER, NEVER)), 34.0)
    stage = shown([desk(1, (1,), to_s=13.0), desk(2, (2,)), *sorted([*polls, *claims], key=lambda one: one[0])], 34.0)
    assert lost(stage) == {("e131/1",): ("source-lost", "certain")}
    assert "port 3 of switch FOH" in stage.rule("universe-lost").summary


def test_a_desk_keeps_its_port_while_another_device_contends_for_its_address() -> None:
    """RFC 5227: the two answer for the address in turn. The other device's port is not known."""
    answers = [(2.0, MACS[0][0]), *((16.0 + 2 * n, ("02:00:00:00:00:99", MACS[0][0])[n % 2]) for n in range(12))]
    claims = [(t_s, NeighbourSeen(START_NS + round(t_s * S), 0, "10.0.0.1", mac, True)) for t_s, mac in answers]
    slow = PretendPort("3", speed_mbps=lambda t_s: 1000 if t_s < 18.0 else 10)
    polls = polled(PretendSwitch("FOH", (slow,), ((MACS[0][0], 1),), ADDRESSES), 38.0)
    stage = shown([desk(1, (1,)), desk(2, (2,)), *sorted([*polls, *claims], key=lambda one: one[0])], 38.0)
    found = stage.rule("port-slow")
    assert (found.opened_ns - START_NS) / S < 28.0 and found.returned_ns is None


def test_an_agent_that_reads_its_ports_late_gives_a_span_and_no_moment() -> None:
    """net-snmp reads its interfaces every 15 s, and gives the moment of its reading as that of the change."""
    stage = shown([desk(1, (1,), to_s=8.0), desk(2, (2,)), *polled(switch((20.0, NEVER), (NEVER, NEVER)), 44.0)], 44.0)
    assert lost(stage) == {("e131/1",): ("source-lost", "high")}
    assert any("went down between" in one.summary for one in stage.all)


def test_a_management_that_began_anew_is_not_called_a_restart_of_the_switch() -> None:
    """RFC 3418: sysUpTime is of the management; RFC 2790: hrSystemUptime is of the host, and went on."""
    polls = polled(replace(switch((NEVER, NEVER), (NEVER, NEVER)), restart=(13.0, 14.0)), 30.0)
    with_host = [
        (at, replace(seen, state=seen.state and replace(seen.state, host_uptime_ticks=round((1000 + at) * 100))))
        for at, seen in polls
    ]
    (incident,) = [
        one for one in shown([desk(1, (1,)), desk(2, (2,)), *with_host], 30.0).all if "restarted" in one.rule
    ]
    assert incident.cause == "management-restarted" and incident.severity is Severity.WARNING
    assert incident.summary.startswith("The management of switch FOH restarted at ")
    assert "frames should not have stopped" in incident.summary and "dark" not in incident.summary


@pytest.mark.slow
def test_a_port_that_went_down_long_before_or_after_explains_nothing() -> None:
    for down in ((1.0, 3.0), (60.0, NEVER)):
        polls = polled(switch(down, (NEVER, NEVER)), 80.0)
        stage = shown([desk(1, (1,), to_s=8.0), desk(2, (2,)), *polls], 80.0)
        assert not any("went down" in one.summary for one in stage.all if one.rule == "universe-lost"), down


def test_a_source_without_a_place_is_judged_as_without_switches() -> None:
    hidden = replace(switch((8.0, NEVER), (NEVER, NEVER)), macs=(), addresses=())
    stage = shown([desk(1, (1,), to_s=8.0), desk(2, (2,)), *polled(hidden, 40.0)], 40.0)
    alone = shown([desk(1, (1,), to_s=8.0), desk(2, (2,))], 40.0)
    assert [one.summary for one in stage.all] == [one.summary for one in alone.all]


@pytest.mark.parametrize("says_so", [True, False])
def test_a_switch_behind_a_port_that_went_down_is_silent_because_of_that(says_so: bool) -> None:
    """The other switch shows the lead to it down, or it is up: then its power or its credentials may be the reason."""
    pulled = (13.0, NEVER) if says_so else (NEVER, NEVER)
    near = PretendSwitch("FOH", (PretendPort("1"), PretendPort("8", down=pulled)), links={2: "Stage"})
    far = PretendSwitch("Stage", (PretendPort("1"),), links={1: "FOH"}, silent=(13.0, NEVER))
    two = replace(HOUSE, switches=(FOH, replace(FOH, name="Stage", address="10.0.0.251")))
    stage = Stage(two, desk(1, (1,)), desk(2, (2,)))
    for at, one in [*polled(near, 60.0), *polled(far, 60.0)]:
        stage.see(at, one)
    (incident,) = [one for one in stage.run(50.0).all if one.rule == "switch-silent"]
    named = "port 8 of switch FOH, which leads to it, is down" in incident.summary
    assert named is says_so
    assert (
        incident.next_checks[0] == "Look at port 8 of switch FOH and at its other end: lamp, lead, plug."
    ) is says_so
    assert ("credentials" in incident.summary) is False


@pytest.mark.parametrize("silent_s", [13.0, NEVER])
def test_power_of_a_switch_is_asked_for_unless_it_answered_after_its_link_went_down(silent_s: float) -> None:
    """A switch may be asked over another lead than that of the show: common practice, no source."""
    near = PretendSwitch("FOH", (PretendPort("1"), PretendPort("8", down=(13.0, NEVER))), links={2: "Stage"})
    far = PretendSwitch("Stage", (PretendPort("1"), PretendPort("3")), ((MACS[0][0], 2),), ADDRESSES, links={1: "FOH"})
    two = replace(HOUSE, switches=(FOH, replace(FOH, name="Stage", address="10.0.0.251")))
    stage = Stage(two, desk(1, (1,), to_s=13.0), desk(2, (2,)))
    for at, one in [*polled(near, 40.0), *polled(replace(far, silent=(silent_s, NEVER)), 40.0)]:
        stage.see(at, one)
    (incident,) = [one for one in stage.run(30.0).all if one.rule == "universe-lost"]
    assert "Port 8 of switch FOH, the link to switch Stage, went down" in incident.summary
    is_asked = silent_s < NEVER
    assert ("Look at switch Stage: has it power?" in incident.next_checks) is is_asked
    assert ("the supply of switch Stage" in incident.also_possible) is is_asked


def test_a_port_that_stayed_up_needs_no_look_at_its_lamp() -> None:
    """ "Its switch port is up: the sender itself, not its lead" and "Look at its link lamp" contradict each other."""
    stage = shown([desk(1, (1,), to_s=8.0), desk(2, (2,)), *polled(switch((NEVER, NEVER), (NEVER, NEVER)), 30.0)], 30.0)
    (incident,) = [one for one in stage.all if one.rule == "universe-lost"]
    assert "its switch port is up: the sender itself, not its lead" in incident.summary
    assert incident.next_checks[0] == "Look at the screen of main desk: is it running?"
    assert not any(check.startswith("Look at its link lamp") for check in incident.next_checks)


def test_a_desk_whose_packets_come_on_without_levels_was_not_cut_off_by_a_restart() -> None:
    """Its text comes all along, while its switch restarts 4 s after its last levels. The other desk is elsewhere."""
    text = desk(1, (1,), from_s=10.3, start_code=0x17, sequence_of=lambda universe, index: 103 + index)
    polls = polled(replace(switch((NEVER, NEVER), (NEVER, NEVER)), restart=(14.0, 14.5)), 40.0)
    stage = shown([desk(1, (1,), to_s=10.3), text, desk(2, (2,), address="10.0.0.3"), *polls], 40.0)
    assert [cause for cause, _ in lost(stage).values()] == ["universe-withdrawn"]
    assert [one.cause for one in stage.all if one.rule == "switch-restarted"] == ["restarted"]


def test_a_restart_is_a_moment_and_lasts_no_minute() -> None:
    """It is shown for a minute. "It lasted 60 s" would be read as the time that the switch was away."""
    stage = Stage(HOUSE, desk(1, (1,)), desk(2, (2,)))
    for at, one in polled(replace(switch((NEVER, NEVER), (NEVER, NEVER)), restart=(13.0, 14.0)), 100.0):
        stage.see(at, one)
    stage.run(76.0)
    (incident,) = stage.all
    while_open = incident.summary
    assert while_open.startswith("Switch FOH restarted at ") and "Over since" not in while_open
    stage.run(100.0)
    (incident,) = stage.all
    assert incident.closed_ns is not None and incident.summary == while_open


@pytest.mark.parametrize("devices", [1, 2])
def test_a_port_with_several_devices_behind_it_is_the_way_to_another_switch(devices: int) -> None:
    """One computer that is two sources has a lead of its own; two desks on one port have a switch between."""
    one_mac = (("10.0.0.1", MACS[0][0]), ("10.0.0.2", MACS[devices - 1][0]))
    macs = tuple((mac, 3) for mac in dict.fromkeys(mac for _, mac in one_mac))
    ports = (PretendPort("1"), PretendPort("2"), PretendPort("3", down=(8.0, NEVER)))
    polls = polled(PretendSwitch("FOH", ports, macs, one_mac), 40.0)
    stage = shown([desk(1, (1,), to_s=8.0), desk(2, (2,), to_s=8.0), desk(3, (9,)), *polls], 40.0)
    (incident,) = [one for one in stage.all if one.rule == "universe-lost"]
    assert incident.universes == ("e131/1", "e131/2")
    if devices == 2:
        assert incident.cause == "network-lost"
        assert "Port 3 of switch FOH went down at " in incident.summary
        assert "This cut off what is behind it: " in incident.summary and "themselves" not in incident.summary
        assert incident.next_checks[0] == "Look at port 3 of switch FOH and at its other end: lamp, lead, plug."
    else:
        assert incident.cause == "source-lost"
