"""Lights against what is hung: each rule just under, just over, recovering, and with no data at all."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from slotwatch.house.schema import Circuit, Fixture, House, Network, Profile, Rack
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import Protocol, UniverseId

from .stage import Desk, Stage, house_of, opened_after_s

U1 = UniverseId(Protocol.E131, 1)
RACK = Rack("Rack 1", U1, 1, 12, 230.0, 3, "in-turn", 10.0, 12.0, 30.0)
CIRCUITS = (
    Circuit("1", "Rack 1", 1, "dimmer", 2000, "linear", 8.0),
    Circuit("2", "Rack 1", 2, "switched", 100, "switched"),
    Circuit("3", "Rack 1", 3, "dimmer", 1000, "linear"),
    Circuit("4", "Rack 1", 4, "dimmer", 2000, "linear", 20.0),
)
PROFILES = (Profile("strobe", ("intensity", "strobe"), (0.5, 18.0)),)
HALF = Callable[[float], dict[int, float]]


def rig(*fixtures: Fixture) -> House:
    return replace(house_of((1,)), fixtures=fixtures, racks=(RACK,), circuits=CIRCUITS, profiles=PROFILES)


def levels_of(slots: Callable[[float], dict[int, float]]) -> Callable[[float], bytes]:
    """Levels from a mapping of slot number (from 1) to level at a time."""

    def at(t: float) -> bytes:
        held = bytearray(512)
        for slot, level in slots(t).items():
            held[slot - 1] = max(0, min(255, int(level)))
        return bytes(held)

    return at


def run(house: House, slots: Callable[[float], dict[int, float]], until_s: float, hz: float = 40.0) -> Stage:
    return Stage(house, Desk("Desk A", (1,), hz=hz, levels=levels_of(slots)), every_tick=True).run(until_s)


def reported(stage: Stage) -> list[str]:
    return [incident.rule for incident in stage.all]


RELAY = Fixture("12", U1, 2, ("non-dim",), label="Motor power")
DIMMED = Fixture("13", U1, 3, ("non-dim",), label="Transformer")


@pytest.mark.parametrize(
    ("slots", "until_s", "wanted"),
    [
        (lambda t: {2: 255}, 6, []),
        (lambda t: {2: 0}, 6, []),
        (lambda t: {2: 2}, 6, []),  # just under 1 %
        (lambda t: {2: 253}, 6, []),  # just over 99 %
        (lambda t: {2: 3}, 6, ["non-dim-partial"]),
        (lambda t: {2: 252}, 6, ["non-dim-partial"]),
        (lambda t: {2: 128 if 2 < t < 3.9 else 255}, 8, []),  # just under 2 s
        (lambda t: {2: 128 if t > 2 else 255}, 4.6, ["non-dim-partial"]),
        (lambda t: {2: t * 25}, 10, []),  # a fade passing through
        (lambda t: {2: t / 2 + 100}, 12, []),  # so slow that each level lasts 2 s
    ],
)
def test_non_dim_partial(slots: Callable[[float], dict[int, float]], until_s: float, wanted: list[str]) -> None:
    assert reported(run(rig(RELAY), slots, until_s)) == wanted


def test_non_dim_is_critical_on_a_dimmer_and_a_warning_on_a_relay() -> None:
    stage = run(rig(RELAY, DIMMED), lambda t: {2: 128, 3: 100}, 6)
    found = {incident.fixtures[0]: incident for incident in stage.all}
    assert found["13"].severity is Severity.CRITICAL and found["12"].severity is Severity.WARNING
    assert found["13"].summary.startswith(
        "Transformer (13): a circuit that must be off or full is at 39 % on a dimmer way, Rack 1 way 3"
    )
    assert "slotwatch sees the command, not the light." in found["13"].evidence[0]


def test_non_dim_of_many_fixtures_says_how_many() -> None:
    """They are one incident, and its sentence has the figure of one of them."""
    many = [replace(RELAY, name=str(slot), address=slot) for slot in range(200, 230)]
    found = run(rig(*many), lambda t: dict.fromkeys(range(200, 230), 128), 6).rule("non-dim-partial")
    assert ", the worst of 30 fixtures not off or full." in found.summary
    held = dict.fromkeys(range(200, 230), 20) | {3: 100, 215: 140}
    for slots, worst in ((many, "is at 55 %,"), ([*many, DIMMED], "is at 39 % on a dimmer way,")):
        found = next(one for one in run(rig(*slots), lambda t: held, 6).all if len(one.fixtures) > 20)
        assert worst in found.summary, "a relay stays on or off; a dimmer harms what hangs on it"
    alone = run(rig(RELAY), lambda t: {2: 128}, 6).rule("non-dim-partial")
    assert "the worst of" not in alone.summary


def test_non_dim_names_what_hangs_on_the_circuit() -> None:
    stage = run(rig(RELAY, LED, replace(LED, name="102", address=111, label="Wash 2")), lambda t: {2: 140}, 6)
    found = stage.rule("non-dim-partial")
    assert found.fixtures == ("101", "102", "12")
    assert found.summary.startswith(
        "Motor power (12): a circuit that must be off or full is at 55 % on a switched way, Rack 1 way 2. "
        "On circuit 2: Wash 1 (101) and Wash 2 (102)."
    )


def test_non_dim_without_a_rack_finds_its_circuit_by_its_own_name() -> None:
    relay = replace(RELAY, address=50, circuit="3")
    found = run(rig(relay, replace(LED, circuit="3")), lambda t: {50: 140}, 6).rule("non-dim-partial")
    assert found.fixtures == ("101", "12") and "On circuit 3: Wash 1 (101)." in found.summary


def test_non_dim_recovers() -> None:
    stage = run(rig(RELAY), lambda t: {2: 128 if t < 5 else 255}, 20)
    assert [incident.closed_ns is not None for incident in stage.all] == [True]


def test_nothing_is_reported_without_data() -> None:
    house = rig(RELAY, Fixture("L", U1, 101, ("intensity",), circuit="2", faces_audience=True))
    assert {incident.rule for incident in Stage(house).run(20).all} <= {"universe-missing", "querier-absent"}


LED = Fixture("101", U1, 101, ("intensity", "red", "control"), label="Wash 1", circuit="2")


@pytest.mark.parametrize(
    ("slots", "until_s", "wanted"),
    [
        (lambda t: {2: 255, 101: 200}, 10, []),
        (lambda t: {2: 128, 101: 200}, 10, ["non-dim-partial"][:0]),  # a relay is on from half; slot 2 is no fixture
        (lambda t: {2: 0, 101: 200}, 4, []),  # just under 5 s
        (lambda t: {2: 0, 101: 200}, 8, ["powered-off"]),
        (lambda t: {2: 127, 101: 200}, 8, ["powered-off"]),
        (lambda t: {2: 0, 101: 10}, 8, []),  # under 5 % it glows at most
    ],
)
def test_powered_off(slots: Callable[[float], dict[int, float]], until_s: float, wanted: list[str]) -> None:
    assert reported(run(rig(LED), slots, until_s)) == wanted


def test_powered_off_names_circuit_and_fixtures_and_recovers() -> None:
    house = rig(LED, replace(LED, name="102", address=111, label="Wash 2"), RELAY)
    stage = run(house, lambda t: {2: 255 if t > 12 else 0, 101: 200, 111: 200}, 30)
    incident = stage.rule("powered-off")
    assert incident.fixtures == ("101", "102") and incident.closed_ns is not None
    assert incident.summary.startswith("Wash 1 (101) and Wash 2 (102): intensity is up while circuit 2 is off.")


def on_two_networks(slots: Callable[[float], dict[int, float]], until_s: float) -> Stage:
    """One desk sends the universe of rack and fixtures on both networks."""
    one = rig(LED, replace(LED, name="102", address=111, label="Wash 2"))
    universes = (replace(one.universes[0], networks=(0, 1)),)
    house = replace(one, networks=(Network("A", "eth1"), Network("B", "eth2")), universes=universes)
    legs = [Desk("Desk A", (1,), f"10.0.{n}.1", network=n, levels=levels_of(slots)) for n in (0, 1)]
    return Stage(house, *legs).run(until_s)


def test_power_of_a_rack_on_two_networks_is_reported_once_when_off_and_not_at_all_when_on() -> None:
    assert reported(on_two_networks(lambda t: {2: 255, 101: 200, 111: 200}, 12)) == []
    off = on_two_networks(lambda t: {2: 0, 101: 200, 111: 200}, 12).only()
    assert (off.rule, off.fixtures, len(off.evidence)) == ("powered-off", ("101", "102"), 1)


def test_a_way_with_nothing_on_it_is_used_by_nobody() -> None:
    """Way 5 of the rack has no circuit; way 4 has one, and its slot belongs to the rack."""
    stage = run(rig(LED), lambda t: {2: 255, 4: 100, 5: 100, 101: 200}, 12)
    assert "levels above zero in slot 5, which no fixture or circuit uses." in stage.only().summary


def test_control_held() -> None:
    assert "control-held" not in reported(run(rig(LED, RELAY), lambda t: {2: 255, 103: 100 if t < 8 else 0}, 16))
    stage = run(rig(LED, RELAY), lambda t: {2: 255, 103: 100}, 16)
    assert stage.rule("control-held").severity is Severity.NOTE


BLINDER = Fixture("B1", U1, 201, ("intensity", "intensity"), label="Blinder", faces_audience=True)


@pytest.mark.slow
def test_glare_held_after_a_minute() -> None:
    assert reported(run(rig(BLINDER), lambda t: {201: 255 if t < 55 else 0}, 70, hz=20)) == []
    assert reported(run(rig(BLINDER), lambda t: {201: 204}, 70, hz=20)) == []  # 80 % itself is not above it
    assert reported(run(rig(BLINDER), lambda t: {201: 205}, 70, hz=20)) == ["glare-held"]
    house = rig(replace(BLINDER, faces_audience=False))
    assert reported(run(house, lambda t: {201: 255}, 70, hz=20)) == []


def wave(hz: float, low: float = 0, high: float = 255) -> Callable[[float], float]:
    return lambda t: high if math.sin(2 * math.pi * hz * t) >= 0 else low


@pytest.mark.parametrize(
    ("hz", "low", "high", "wanted"),
    [
        (3.0, 0, 255, []),  # three flashes in a second are not more than three
        (4.0, 0, 255, ["flash-rate"]),
        (10.0, 0, 255, ["flash-rate"]),
        (8.0, 100, 125, []),  # a change of 9.8 %
        (8.0, 100, 126, ["flash-rate"]),  # 10.2 %
        (8.0, 204, 255, []),  # the darker state is not below 80 %
        (8.0, 203, 255, ["flash-rate"]),
    ],
)
def test_flash_rate_by_wcag(hz: float, low: float, high: float, wanted: list[str]) -> None:
    """Source: WCAG 2.3.1: more than three flashes in any one second; a flash is a pair of opposing changes of
    10 % or more of the maximum relative luminance where the darker one is below 0.80."""
    shape = wave(hz, low, high)
    assert [
        r for r in reported(run(rig(BLINDER), lambda t: {201: shape(t), 202: shape(t)}, 6)) if r != "glare-held"
    ] == wanted


def test_flash_of_half_a_second_is_no_flashing() -> None:
    """A burst shorter than the rule's 2 s is an accent."""
    shape = wave(10)
    assert reported(run(rig(BLINDER), lambda t: {201: shape(t) if 2 < t < 3.5 else 0}, 8)) == []


def test_flashing_is_a_caution_and_never_a_clearance() -> None:
    shape = wave(8)
    incident = run(rig(BLINDER), lambda t: {201: shape(t)}, 6).rule("flash-rate")
    assert incident.summary.startswith("Blinder, which faces the audience: 8.")
    assert "no compliance test" in incident.summary
    # Eight changes take half a second at 8 Hz, then the two seconds of the rule.
    assert 2.4 < opened_after_s(incident) < 2.8


def test_what_faces_nobody_may_flash_alone_but_not_a_whole_group() -> None:
    shape = wave(8)
    many = tuple(Fixture(f"W{n}", U1, 301 + n, ("intensity",)) for n in range(12))
    assert reported(run(rig(*many), lambda t: {301: shape(t)}, 6)) == []
    chase = [wave(8) for _ in many]
    in_step = run(rig(*many), lambda t: {301 + n: shape(t) for n in range(12)}, 6)
    assert reported(in_step) == ["flash-rate"]
    assert in_step.all[0].summary.startswith("A group of lights on e131/1: 8.")
    turn = run(rig(*many), lambda t: {301 + n: chase[n](t + n * 0.03) for n in range(12)}, 6)
    assert reported(turn) == []


@pytest.mark.parametrize(("level", "wanted"), [(0, []), (36, []), (50, ["flash-rate"])])
def test_strobe_slot_flashes_by_its_profiles_range(level: int, wanted: list[str]) -> None:
    """0.5 Hz at 1 to 18 Hz at 255: level 36 is 2.9 Hz and level 50 is 3.9 Hz. Without a range nothing is raised."""
    house = rig(Fixture("S", U1, 251, ("intensity", "strobe"), "strobe", faces_audience=True))
    assert reported(run(house, lambda t: {251: 200, 252: level}, 6)) == wanted
    unknown = replace(house, profiles=(Profile("strobe", ("intensity", "strobe")),))
    assert reported(run(unknown, lambda t: {251: 200, 252: level}, 6)) == []


MOVER = Fixture("M1", U1, 401, ("pan", "pan-fine", "tilt", "tilt-fine", "intensity"), "mover")


def pan(value: float) -> dict[int, float]:
    whole = int(value)
    return {401: whole >> 8, 402: whole & 255}


def test_sixteen_bit_moves_are_healthy() -> None:
    slow = run(rig(MOVER), lambda t: pan(20000 + 9000 * math.sin(t / 3)), 60, hz=20)
    assert reported(slow) == []


@pytest.mark.slow
def test_fine_that_never_moves() -> None:
    stage = run(rig(MOVER), lambda t: pan(int(80 + 40 * math.sin(t / 3)) << 8), 60, hz=20)
    assert reported(stage) == ["fine-stuck"]
    assert stage.all[0].summary.startswith("M1: the fine slot of pan never moves")
    assert stage.all[0].severity is Severity.NOTE
    still = run(rig(MOVER), lambda t: pan(80 << 8), 60, hz=20)
    assert reported(still) == []


def test_fine_and_coarse_swapped() -> None:
    def swapped(t: float) -> dict[int, float]:
        right = pan(20000 + 18000 * math.sin(t / 30))
        return {401: right[402], 402: right[401]}

    assert reported(run(rig(MOVER), swapped, 45, hz=20)) == ["fine-swapped"]


def test_torn_pair() -> None:
    """The coarse slot comes one frame before its fine one, each time a step is crossed."""

    def torn(t: float) -> dict[int, float]:
        now, before = int(20000 + 320 * t), int(20000 + 320 * (t - 0.025))
        return {401: now >> 8, 402: before & 255 if now >> 8 != before >> 8 else now & 255}

    assert reported(run(rig(MOVER), torn, 12)) == ["torn-pair"]


def test_eight_bit_wave_is_not_torn() -> None:
    """Its crest is one coarse step up for a single frame and comes back: nothing was torn."""
    assert reported(run(rig(MOVER), lambda t: {401: 100 if int(t * 40) % 20 == 0 else 99, 402: 7}, 15)) in (
        [],
        ["fine-stuck"],
    )


def test_way_overload_after_ten_seconds() -> None:
    """2 kW at 230 V are 8.70 A; this way's limit is 8 A."""
    lamp = Fixture("1", U1, 1, ("intensity",))
    assert reported(run(rig(lamp), lambda t: {1: 255 if t < 8 else 0}, 16, hz=20)) == []
    assert reported(run(rig(lamp), lambda t: {1: 200}, 16, hz=20)) == []
    stage = run(rig(lamp), lambda t: {1: 255}, 16, hz=20)
    assert reported(stage) == ["way-overload"]
    incident = stage.all[0]
    assert incident.summary.startswith("Rack 1 way 1: estimated 8.7 A of 8 A allowed.")
    assert "not a measurement" in incident.evidence[1]


def test_supply_overload() -> None:
    """Ways 1 and 4 hang on line 1: 17.4 A of 12 A."""
    lamps = tuple(Fixture(str(n), U1, n, ("intensity",)) for n in (1, 4))
    stage = run(rig(*lamps), lambda t: {1: 150, 4: 255}, 16, hz=20)
    assert reported(stage) == ["supply-overload"]
    assert stage.all[0].summary.startswith("Rack 1 supply line 1: estimated 15 A of 12 A allowed.")


def test_several_ways_over_their_limits_are_counted_in_the_sentence() -> None:
    """Somebody who reads only the figures of the worst looks at one way. 2 kW at 230 V are 8.70 A (P = U I)."""
    lamps = tuple(Fixture(str(n), U1, n, ("intensity",)) for n in (1, 4))
    circuits = tuple(Circuit(str(n), "Rack 1", n, "dimmer", 2000, "linear", 8.0 + n / 10) for n in (1, 4))
    for level, text in ((255, ", the worst of 2 ways over their limits."), (0, ".")):
        found = run(replace(rig(*lamps), circuits=circuits), lambda t, of_4=level: {1: 255, 4: of_4}, 16, hz=20)
        (way,) = [one for one in found.all if one.rule == "way-overload"]
        assert way.summary.startswith(f"Rack 1 way 1: estimated 8.7 A of 8.1 A allowed{text}"), way.summary


def test_reload_keeps_what_is_raised() -> None:
    house = rig(RELAY)
    stage = run(house, lambda t: {2: 128}, 6)
    other = replace(house, fixtures=(Fixture("new", U1, 300, ("intensity",)), RELAY))
    for at_s, file in ((6.0, other), (6.6, house), (8.0, house), (20.0, other)):
        stage.run(at_s)
        stage.model.take_house(file)
        stage.judge.take_house(file, stage.now_ns)
    stage.run(40.0)
    assert reported(stage) == ["non-dim-partial"]
    (incident,) = stage.all
    assert incident.closed_ns is None
    assert [entry.what for entry in incident.timeline] == ["began", "opened"]


def test_universe_shifted_by_one_is_named() -> None:
    """The desk counts universes from 0 where the house counts from 1: e131/1 carries what e131/2 should."""
    fixtures = tuple(Fixture(f"A{n}", U1, 1 + n, ("intensity",)) for n in range(20))
    fixtures += tuple(Fixture(f"B{n}", UniverseId(Protocol.E131, 2), 201 + n, ("intensity",)) for n in range(20))
    house = replace(house_of((1, 2)), fixtures=fixtures)
    levels = levels_of(lambda t: {201 + n: 100 for n in range(20)})
    stage = Stage(house, Desk("Desk A", (1,), levels=levels), Desk("Desk B", (2,), number=2, levels=levels)).run(8)
    strays = [incident for incident in stage.all if incident.rule == "stray-levels"]
    assert len(strays) == 1
    assert strays[0].evidence[1] == (
        "The levels fit the patch of e131/2: they may be on the wrong universe "
        "(universes counted from 0 in one place and from 1 in another)."
    )


def strays_of(lit: Callable[[float], dict[int, int]], run_s: float) -> Stage:
    fixtures = tuple(Fixture(f"A{n}", U1, first, ("intensity",) * 8) for n, first in enumerate((1, 101)))
    return Stage(replace(house_of((1,)), fixtures=fixtures), Desk("Desk", (1,), levels=levels_of(lit))).run(run_s)


def test_slots_that_follow_one_fixture_may_be_its_longer_mode_and_slots_everywhere_may_not() -> None:
    one = strays_of(lambda t: dict.fromkeys(range(1, 13), 80), 8).only()
    assert "They follow A0: it may run in a longer mode." in one.summary
    assert one.next_checks[0].startswith("Look at the fixture before these slots")
    several = strays_of(lambda t: dict.fromkeys((*range(1, 13), *range(101, 120)), 80), 8).only()
    assert "longer mode" not in several.summary and several.next_checks == (
        "Compare the patch list with the patch of the desk.",
    )


def test_stray_levels_that_move_are_not_reworded_at_each_step() -> None:
    """A chase that leaves another slot dark at each step: after one round nothing is new."""
    found = strays_of(lambda t: {slot: 80 for slot in range(9, 21) if slot != 9 + int(t * 4) % 12}, 20)
    assert "slots 9 to 20" in found.only().summary
    revised_s = [event.t_ns for event in found.events if event.what == "revised"]
    assert len(revised_s) < 15


WASHES = tuple(Fixture(f"10{n}", U1, 100 + n, ("intensity",), label=f"Wash {n}", circuit=str(n)) for n in (5, 6, 7, 8))


def powered(at_s: dict[int, float]) -> Stage:
    """A rig of four washes on circuits 5 to 8, each switched off at its time."""
    ways = tuple(Circuit(str(n), "Rack 1", n, "switched", 100, "switched") for n in (5, 6, 7, 8))
    house = replace(rig(*WASHES), circuits=(*CIRCUITS, *ways))
    lit = {100 + n: 200.0 for n in (5, 6, 7, 8)}
    return run(house, lambda t: lit | {n: 0.0 if t >= at_s.get(n, 99) else 255.0 for n in (5, 6, 7, 8)}, 26)


def test_one_power_cue_that_switches_several_circuits_off_is_one_incident() -> None:
    """Common practice, no source: one cue is one mistake, however many circuits it takes."""
    stage = powered({5: 4.0, 6: 4.0, 7: 4.6})
    found = stage.only()
    assert (
        found.summary
        == "Wash 5 (105), Wash 6 (106) and Wash 7 (107): intensity is up while circuits 5, 6 and 7 are off."
    )
    assert found.fixtures == ("105", "106", "107")
    assert len(found.evidence) == 3 and "1 fixture on it is commanded up" in found.evidence[0]
    later = powered({5: 4.0, 6: 4.0, 8: 14.0})
    assert [one.fixtures for one in later.all] == [("105", "106"), ("108",)]
    assert later.all[1].summary == "Wash 8 (108): intensity is up while circuit 8 is off."


def test_circuits_that_never_were_on_are_one_incident() -> None:
    assert powered({5: 0.0, 6: 0.0, 7: 14.0}).all[0].fixtures == ("105", "106")


def test_a_relay_under_half_is_one_incident_that_names_what_hangs_on_it() -> None:
    found = run(rig(RELAY, LED), lambda t: {2: 60 if t > 3 else 255, 101: 200}, 14).only()
    assert found.rule == "non-dim-partial" and found.fixtures == ("101", "12")
    assert [rule for rule, _ in found.explains] == ["powered-off"]
