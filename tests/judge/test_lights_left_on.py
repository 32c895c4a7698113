"""Lights that are left on in the dark, with shorter times than the rule's own so that no hour is simulated."""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.house.occasions import DarkTerms
from slotwatch.house.schema import Circuit, Fixture, House, Phase, Profile
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.phases import grade
from slotwatch.snapshot import Incident, Severity
from tests.judge.cases import with_numbers
from tests.judge.stage import Desk, Stage, house_of
from tests.judge.test_lights import CIRCUITS, RACK, U1, levels_of

FIXTURES = (
    Fixture("1", U1, 101, ("intensity",), profile="lamp", label="ghost light"),
    Fixture("2", U1, 102, ("intensity",), profile="lamp"),
    Fixture("3", U1, 103, ("intensity",), circuit="4"),
    Fixture("4", U1, 104, ("intensity",), circuit="4"),
    Fixture("5", U1, 105, ("intensity",)),
)
HOUSE = replace(
    house_of((1,)),
    phase=Phase.DARK,
    fixtures=FIXTURES,
    racks=(RACK,),
    circuits=CIRCUITS,
    profiles=(Profile("lamp", ("intensity",), load_w=500.0),),
)
SHORT = with_numbers("lights-left-on", held_s=4.0, warning_s=10.0)


def shown(until_s: float, slots: dict[int, float], house: House = HOUSE, end_s: float = 99.0) -> list[Incident]:
    desk = Desk("Desk A", (1,), hz=10.0, levels=levels_of(lambda t: slots if 1.0 <= t < end_s else {}))
    stage = Stage(house, desk, phase=house.phase, rules=SHORT, every_tick=True).run(until_s)
    return [one for one in stage.all if one.rule == "lights-left-on"]


def test_a_level_just_under_and_just_over() -> None:
    # 5 % of 255 is 12.75
    assert shown(8.0, {102: 12}) == []
    (found,) = shown(8.0, {102: 13})
    assert (found.severity, found.fixtures) == (Severity.NOTE, ("2",))


def test_it_is_reported_after_its_time_and_a_warning_after_the_longer() -> None:
    assert shown(4.5, {102: 255}) == []
    (found,) = shown(7.0, {102: 255})
    assert found.severity is Severity.NOTE
    (found,) = shown(13.0, {102: 255})
    assert found.severity is Severity.WARNING


def test_a_reload_with_another_patch_does_not_begin_the_time_again() -> None:
    desk = Desk("Desk A", (1,), hz=10.0, levels=levels_of(lambda t: {102: 255} if t >= 1.0 else {}))
    stage = Stage(HOUSE, desk, phase=HOUSE.phase, rules=SHORT, every_tick=True).run(7.0)
    for _ in range(2):
        other = replace(HOUSE, fixtures=(Fixture("new", U1, 300, ("intensity",)), *HOUSE.fixtures))
        stage.model.take_house(other)
        stage.judge.take_house(other, stage.now_ns)
        stage.run(stage.now_s + 0.3)
    (found,) = (one for one in stage.run(12.0).all if one.rule == "lights-left-on")
    assert (found.severity, found.closed_ns) == (Severity.WARNING, None)
    assert "returned" not in [entry.what for entry in found.timeline]


def test_its_own_times_are_ten_minutes_and_an_hour() -> None:
    # Common practice, no source.
    rule = CATALOG["lights-left-on"]
    numbers = {"held_s": 600, "warning_s": 3600, "lit_percent": 5}
    assert {name: getattr(rule.parameters, name) for name in numbers} == numbers
    assert grade(rule, rule.severity, Phase.DARK) is Severity.WARNING


@pytest.mark.parametrize("phase", [phase for phase in Phase if phase is not Phase.DARK])
def test_outside_the_phase_dark_lights_may_be_on(phase: Phase) -> None:
    assert shown(8.0, {102: 255}, replace(HOUSE, phase=phase)) == []


@pytest.mark.parametrize("name", ["1", "ghost light"])
def test_what_is_expected_on_may_be_on(name: str) -> None:
    house = replace(HOUSE, dark=DarkTerms((name,)))
    assert shown(8.0, {101: 255}, house) == []
    (found,) = shown(8.0, {101: 255, 102: 255}, house)
    assert found.fixtures == ("2",)


def test_fixtures_of_a_universe_that_goes_on_may_be_on() -> None:
    universe = HOUSE.fixtures[0].universe
    assert {one.universe for one in HOUSE.fixtures} == {universe}
    assert shown(8.0, {101: 255, 102: 255}, replace(HOUSE, dark=DarkTerms(universes=(universe,)))) == []


def test_the_power_is_estimated_from_nameplate_loads() -> None:
    # 500 W at full, 500 W at 51/255, and half of circuit 4's 2,000 W at full: 500 + 100 + 1,000 W
    assert Circuit("4", "Rack 1", 4, "dimmer", 2000, "linear", 20.0) in CIRCUITS
    (found,) = shown(8.0, {101: 255, 102: 51, 103: 255, 105: 255})
    assert "an estimated 1.6 kW" in found.summary
    assert any("1 of 4 have no declared load" in text for text in found.evidence)
    (found,) = shown(8.0, {105: 255})
    assert "estimated" not in found.summary and "power is not known" in found.evidence[1]


def test_it_is_over_once_the_light_is_out() -> None:
    (found,) = shown(22.0, {102: 255}, end_s=8.0)
    assert found.closed_ns is not None


def test_a_dark_house_that_hears_nothing_says_nothing() -> None:
    stage = Stage(HOUSE, phase=Phase.DARK, rules=SHORT).run(12.0)
    assert [one.rule for one in stage.all if one.rule == "lights-left-on"] == []
