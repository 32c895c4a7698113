"""How leads and switch ports stood at the last show: kept by the show that runs, taken up after a restart."""

from __future__ import annotations

from slotwatch.house.schema import DeclaredSource, Phase
from slotwatch.judge.orders import Resume, SetPhase
from slotwatch.rehearse.pretend_switch import PretendPort
from slotwatch.snapshot import PhaseMemory
from slotwatch.snapshot.switches import LastShowRow
from slotwatch.wire.observation import LastShowSeen, PortSeen
from tests.judge.cases import desk
from tests.judge.stage import START_NS, WALL_OFFSET_NS, S, Stage, house_of
from tests.judge.switches import FOH, polled, switch

A = DeclaredSource("main desk", address="10.0.0.1", priority=100)
HOUSE = house_of((1,), min_refresh_hz=5, sources=(A,), by=("main desk",), switches=(FOH,))
LAST = LastShowSeen(0, WALL_OFFSET_NS - 90_000 * S, (("eth1", "chassis of FOH", "14", "port 14 of switch FOH"),), ())


def announced(t_s: float, port: str) -> tuple[float, PortSeen]:
    return t_s, PortSeen(START_NS + round(t_s * S), 0, "chassis of FOH", port, 60, "", "FOH")


def stage(phase: Phase, *seen: tuple[float, object], last: LastShowSeen | None = LAST) -> Stage:
    made = Stage(HOUSE, desk(hz=10.0), phase=phase)
    if last is not None:
        made.judge.observe(last)
    for one in seen:
        made.see(*one)  # type: ignore[arg-type]
    return made


def kept(made: Stage) -> LastShowRow | None:
    return made.judge.house_view(made.now_ns).last_show


def rules(made: Stage) -> list[str]:
    return [one.rule for one in made.all]


def test_before_the_show_a_lead_in_another_port_is_reported() -> None:
    made = stage(Phase.PRE_SHOW, announced(2.0, "15")).run(12.0)
    (incident,) = made.all
    assert incident.rule == "neighbour-changed"
    assert incident.summary == (
        "Network eth1: this listener is on port 15 of switch FOH. At the last show it was on port 14 of switch FOH."
    )


def test_the_same_port_and_a_house_without_a_show_yet_say_nothing() -> None:
    assert rules(stage(Phase.PRE_SHOW, announced(2.0, "14")).run(12.0)) == []
    fresh = stage(Phase.PRE_SHOW, announced(2.0, "15"), last=None).run(12.0)
    assert rules(fresh) == [] and kept(fresh) is None


def test_a_show_that_begins_takes_what_it_finds() -> None:
    made = stage(Phase.PRE_SHOW, announced(2.0, "15")).run(12.0)
    made.judge.command(SetPhase(Phase.SHOW))
    made.run(25.0)
    assert [(one.rule, one.closed_ns is None) for one in made.all] == [("neighbour-changed", False)]
    row = kept(made)
    assert row is not None and row.leads == (("eth1", "chassis of FOH", "15", "port 15 of switch FOH"),)


def test_the_same_show_after_a_restart_goes_on_with_what_it_had() -> None:
    """The phase comes back with its beginning, then what that show had; a lead that was moved meanwhile is reported."""
    made = stage(Phase.SHOW, last=None)
    began_ns = START_NS - 600 * S
    last = LastShowSeen(0, began_ns + WALL_OFFSET_NS, LAST.leads, ())
    made.judge.command(Resume(phase=PhaseMemory("show", began_ns + WALL_OFFSET_NS), last_show=last))
    made.see(*announced(2.0, "15"))
    made.run(12.0)
    assert rules(made) == ["neighbour-changed"]
    row = kept(made)
    assert row is not None and row.leads == LAST.leads and row.since_wall_ns == began_ns + WALL_OFFSET_NS


def test_a_port_that_is_slower_than_at_the_last_show_is_reported_after_a_restart_too() -> None:
    last = LastShowSeen(0, WALL_OFFSET_NS - 90_000 * S, (), (("FOH", "3", 1000),))
    made = stage(Phase.PRE_SHOW, *polled(switch(PretendPort("3", speed_mbps=lambda t_s: 100)), 20.0), last=last)
    made.run(20.0)
    (incident,) = made.all
    assert incident.summary == (
        "Port 3 of switch FOH runs at 100 Mbit/s, where it ran at 1000 Mbit/s in a show. On it: main desk."
    )


def test_the_show_that_runs_keeps_the_speed_of_ports_that_matter() -> None:
    made = stage(Phase.SHOW, *polled(switch(PretendPort("3", speed_mbps=lambda t_s: 100)), 10.0), last=None).run(10.0)
    row = kept(made)
    assert row is not None and row.speeds == (("FOH", "3", 100),), "others are of no matter here"
