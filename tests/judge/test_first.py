"""The first things a judge must say: a dead source, a backup that holds, an own cable, an own overrun."""

from __future__ import annotations

from slotwatch.house.schema import DeclaredSource
from slotwatch.snapshot import Severity
from slotwatch.wire.observation import DropsSeen, LinkSeen
from tests.judge.stage import START_NS, Desk, S, Stage, house_of, opened_after_s

MAIN = DeclaredSource("main desk", address="10.0.0.1")
SPARE = DeclaredSource("spare desk", address="10.0.0.2", role="backup")


def test_a_dead_source_is_one_incident_with_what_still_works() -> None:
    first = Desk("Desk A", (1, 2, 3), to_s=12.0)
    second = Desk("Desk B", (7, 8), address="10.0.0.2", number=2)
    incident = Stage(house_of((1, 2, 3, 7, 8)), first, second).run(40).only()
    assert (incident.rule, incident.cause, incident.confidence) == ("universe-lost", "source-lost", "high")
    assert incident.universes == ("e131/1", "e131/2", "e131/3")
    assert incident.sources == ("Desk A",)
    assert incident.severity is Severity.CRITICAL
    assert 14.4 < opened_after_s(incident) <= 14.6
    assert "Desk B" in incident.still_working[0]


def test_a_backup_that_holds_the_universes_makes_it_a_warning() -> None:
    first = Desk("Desk A", (1, 2, 3), to_s=12.0)
    second = Desk("Desk B", (1, 2, 3), address="10.0.0.2", number=2, priority=90)
    house = house_of((1, 2, 3), sources=(MAIN, SPARE), by=("main desk", "spare desk"))
    incident = Stage(house, first, second).run(40).only()
    assert (incident.rule, incident.cause, incident.severity) == ("source-absent", "source-lost", Severity.WARNING)


def test_own_cable_comes_first_and_raises_no_fault_of_the_show() -> None:
    desk = Desk("Desk A", (1, 2), drop=lambda universe, index, t: 10 < t < 20)
    stage = Stage(house_of((1, 2)), desk)
    stage.see(10.0, LinkSeen(START_NS + 10 * S, 0, False, (), "eth1"))
    stage.see(20.0, LinkSeen(START_NS + 20 * S, 0, True, ("10.0.0.200",), "eth1"))
    incident = stage.run(60).only()
    assert incident.rule == "link-down"
    assert incident.closed_ns is not None


def test_own_overrun_is_not_called_loss() -> None:
    desk = Desk("Desk A", (1, 2), drop=lambda universe, index, t: 10 < t < 10.3)
    stage = Stage(house_of((1, 2)), desk)
    stage.see(10.3, DropsSeen(START_NS + 10 * S + 300_000_000, kernel=24))
    incident = stage.run(60).only()
    assert (incident.rule, incident.cause) == ("host-overrun", "overflow")
