"""Currents, imbalance and neutrals against the electrical check values.

Sources: I = P / (V * pf), balanced three-phase, capacity, linear neutral, imbalance and phase-cut rms are
formulas of AC circuits, worked out independently; the neutral table is for ideal resistive phase-cut loads. The
dimmer maker's note that gives 1.244 for the worst case is compared with the computed 1.2455.
"""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest

from slotwatch.house.racks import (
    NOTE,
    current_a,
    supply_capacity_va,
    supply_of,
    three_phase_current_a,
    wiring,
)
from slotwatch.house.schema import Circuit, DeclaredUniverse, Fixture, House, Profile, Rack
from slotwatch.model.loads import (
    Loads,
    conduction_rms,
    firing_angle,
    imbalance_percent,
    linear_neutral_a,
    neutral_rms,
)
from slotwatch.wire.universe import Protocol, UniverseId

U1 = UniverseId(Protocol.E131, 1)


@pytest.mark.parametrize(
    ("got", "wanted"),
    [
        (current_a(2000, 230), 8.70),
        (three_phase_current_a(10_000, 400), 14.43),
        (supply_capacity_va(230, 16) / 1000, 11.04),
        (supply_capacity_va(230, 32) / 1000, 22.08),
        (supply_capacity_va(230, 63) / 1000, 43.47),
        (supply_capacity_va(230, 125) / 1000, 86.25),
        (linear_neutral_a(40, 30, 20), 17.32),
        (linear_neutral_a(30, 30, 30), 0.0),
        (imbalance_percent(np.array([40.0, 30.0, 20.0])), 33.3),
    ],
)
def test_formulas(got: float, wanted: float) -> None:
    assert got == pytest.approx(wanted, abs=0.05 if wanted > 30 else 0.005)


@pytest.mark.parametrize(("degrees", "wanted"), [(0, 1.0), (60, 0.897), (90, 0.7071), (120, 0.442), (180, 0.0)])
def test_phase_cut_rms_and_its_inverse(degrees: int, wanted: float) -> None:
    rms = conduction_rms(np.array([np.radians(degrees)]))
    assert rms[0] == pytest.approx(wanted, abs=0.0006)
    if degrees < 180:
        assert np.degrees(firing_angle(rms))[0] == pytest.approx(degrees, abs=0.5)


@pytest.mark.parametrize(
    ("degrees", "phase", "neutral"),
    [(0, 1.0, 0.0), (60, 0.897, 0.766), (75, 0.814, 0.943), (90, 0.707, 1.0), (120, 0.442, 0.766)],
)
def test_neutral_of_three_equal_phase_cut_loads(degrees: int, phase: float, neutral: float) -> None:
    """Per unit of the full-conduction phase current; above 120 degrees the neutral is sqrt(3) times the phase."""
    angle = np.radians(degrees)
    amperes = np.full(3, float(conduction_rms(np.array([angle]))[0]))
    got = neutral_rms(amperes, np.full(3, angle), np.arange(3))
    assert amperes[0] == pytest.approx(phase, abs=0.001)
    assert got == pytest.approx(neutral, abs=0.006)


def test_worst_neutral_is_one_quarter_over_the_phase_and_hangs_on_the_sequence() -> None:
    """Phases at full, off and half: 1.2455 times the largest; in the opposite order only 0.67."""
    angles = np.radians([0.0, 180.0, 90.0])
    amperes = np.array([1.0, 0.0, float(conduction_rms(angles[2:])[0])])
    both = sorted(neutral_rms(amperes, angles, np.arange(3), order) for order in (1, -1))
    assert both[1] == pytest.approx(1.2455, abs=0.006)
    assert both[0] == pytest.approx(0.67, abs=0.01)


def house(order: str | tuple[int, ...] = "in-turn", **more: object) -> House:
    rack = Rack("R", U1, 1, 6, 230.0, 3, order, 10.0, 8.0, 20.0)
    circuits = (
        Circuit("1", "R", 1, "dimmer", 1000, "linear"),
        Circuit("2", "R", 2, "dimmer", 1000, "square"),
        Circuit("3", "R", 3, "switched", 2000, "switched", 6.0),
        Circuit("4", "R", 4, "unswitched", 460, "switched"),
        Circuit("5", "R", 5, "switched", 0, "switched"),
    )
    fixtures = (Fixture("L", U1, 101, ("intensity",), "led", circuit="5"),) * 2
    return House(
        universes=(DeclaredUniverse(U1),),
        racks=(rack,),
        circuits=circuits,
        fixtures=fixtures,
        profiles=(Profile("led", ("intensity",), None, 207.0),),
    )


def levels(*values: int) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    made = np.zeros(512, np.uint8)
    made[: len(values)] = values
    return made


@pytest.mark.parametrize(
    ("order", "wanted"),
    [("in-turn", [1, 2, 3, 1, 2, 3]), ("blocks", [1, 1, 2, 2, 3, 3]), ((3, 3, 2, 2, 1, 1), [3, 3, 2, 2, 1, 1])],
)
def test_supply_of_each_way(order: str | tuple[int, ...], wanted: list[int]) -> None:
    rack = house(order).racks[0]
    assert [supply_of(rack, way) for way in range(1, 7)] == wanted


def test_nameplate_before_get_in() -> None:
    """Declared watts over volts; what only its fixtures' profiles declare counts with a power factor of 0.9."""
    wired = wiring(house())[0]
    assert [round(way.full_a, 2) for way in wired.ways] == [4.35, 4.35, 8.7, 2.0, 2.0, 0.0]
    assert wired.ways[2].limit_a == 6.0 and wired.ways[0].limit_a == 10.0
    assert wired.supply_full_a(1) == pytest.approx(6.35, abs=0.01)


@pytest.mark.parametrize(
    ("values", "wanted"),
    [
        ((255, 255, 255, 0, 255), [4.35, 4.35, 8.7, 2.0, 2.0, 0]),
        ((0, 0, 127, 0, 127), [0, 0, 0, 2.0, 0, 0]),  # just under half: switched ways are off, unswitched never
        ((0, 0, 128, 0, 128), [0, 0, 8.7, 2.0, 2.0, 0]),
        # Half level: linear is half the voltage, square (1/2) ** (2 / 3.4); lamp current goes with the 0.6.
        ((128, 128, 0, 0, 0), [4.35 * (128 / 255) ** 0.6, 4.35 * (128 / 255) ** (2 / 3.4 * 0.6), 0, 2.0, 0, 0]),
    ],
)
def test_estimated_currents(values: tuple[int, ...], wanted: list[float]) -> None:
    rack = Loads(house()).racks[0]
    rack.estimate(levels(*values))
    assert rack.way_a.tolist() == pytest.approx(wanted, abs=0.01)


def test_worst_of_the_show_stays() -> None:
    loads = Loads(house())
    rack = loads.racks[0]
    rack.estimate(levels(255, 255, 255, 0, 0))
    rack.estimate(levels(0))
    assert rack.worst_a.tolist() == pytest.approx([6.35, 4.35, 8.7], abs=0.01)
    after = Loads(house())
    after.keep_worst(loads)
    assert after.racks[0].worst_a.tolist() == rack.worst_a.tolist()


def test_unknown_levels_claim_nothing() -> None:
    rack = Loads(house()).racks[0]
    rack.estimate(None)
    view = asdict(rack.row())
    assert view["known"] is False and view["supplies"][0]["estimated_a"] is None
    assert view["neutral_upper_a"] is None and view["note"] == NOTE


def test_view_names_every_figure() -> None:
    rack = Loads(house()).racks[0]
    rack.estimate(levels(255, 0, 255))
    view = asdict(rack.row())
    assert view["ways"][2] == {
        "way": 3,
        "supply": 3,
        "circuit": "3",
        "module": "switched",
        "level": 255,
        "estimated_a": 8.7,
        "full_a": 8.7,
        "limit_a": 6.0,
    }
    assert view["supplies"][2] == {"supply": 3, "estimated_a": 8.7, "worst_a": 8.7, "full_a": 8.7, "limit_a": 8.0}
    assert view["imbalance_percent"] == pytest.approx(100.0, abs=1)
