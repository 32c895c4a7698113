"""Estimated currents of racks from the levels: each way, each supply line, the neutral, now and at worst.

An estimate, not a measurement. What it assumes: lamps are resistive and their power goes with voltage to the
1.6 (common practice, no source), so their current goes with the 0.6; phase-cut dimmers cut the leading edge of
a sine; LED and moving fixtures draw their full declared load while they are on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.racks import NOTE, RackWiring, wiring
from slotwatch.house.schema import House
from slotwatch.snapshot.stage import RackRow, SupplyEstimate, WayLoad
from slotwatch.wire.universe import UniverseId

Floats = NDArray[np.float64]

LAMP_POWER_EXPONENT = 1.6
"""Power of a tungsten lamp goes with voltage to this (common practice, no source)."""
LAMP_LIGHT_EXPONENT = 3.4
"""Light of a tungsten lamp goes with voltage to this (from memory): a square-law dimmer makes light the square
of the level, so its rms voltage goes with the level to the 2 / 3.4."""
SWITCH_RATIO = 0.5
"""A switched way is on from here (common practice, no source)."""
LINEAR, SQUARE, SWITCHED, UNSWITCHED = range(4)
_CURVES = {"linear": LINEAR, "square": SQUARE, "switched": SWITCHED, "unswitched": UNSWITCHED}
NEUTRAL_EVERY = 5
_STEPS = 720
_THETA = (np.arange(_STEPS) + 0.5) * (2 * np.pi / _STEPS)


def conduction_rms(angle: Floats) -> Floats:
    """Rms of a phase-cut sine relative to the whole one: sqrt(1 - a/pi + sin(2a)/(2 pi)), firing angle a in radians."""
    return np.sqrt(np.clip(1 - angle / np.pi + np.sin(2 * angle) / (2 * np.pi), 0, None))


_ANGLES = np.linspace(0, np.pi, 2049)
_RATIOS = conduction_rms(_ANGLES)


def firing_angle(rms_ratio: Floats) -> Floats:
    """The firing angle in radians that gives this rms ratio (inverse of `conduction_rms`)."""
    return np.interp(-rms_ratio, -_RATIOS, _ANGLES)


def voltage_ratio(level_ratio: Floats, curve: NDArray[np.int64]) -> Floats:
    """Rms output voltage of a way relative to the mains, from its level (0 to 1) and curve."""
    square = np.power(level_ratio, 2 / LAMP_LIGHT_EXPONENT)
    switched = (level_ratio >= SWITCH_RATIO).astype(float)
    return np.select(
        [curve == LINEAR, curve == SQUARE, curve == SWITCHED],
        [level_ratio, square, switched],
        np.ones_like(level_ratio),
    )


def neutral_rms(amperes: Floats, angles: Floats, phases: NDArray[np.int64], order: int = 1) -> float:
    """Neutral current of phase-cut ways, rms; ideal resistive loads, leading edge.

    amperes: rms of each way.   angles: their firing angles.   phases: 0, 1 or 2.   order: 1 or -1, the phase
    sequence, which matters where the phases differ.
    """
    ratio = conduction_rms(angles)
    peak = np.where(ratio > 1e-6, amperes * np.sqrt(2) / np.maximum(ratio, 1e-6), 0.0)
    total = np.zeros(_STEPS)
    for phase in range(3):
        theta = (_THETA - order * phase * 2 * np.pi / 3) % (2 * np.pi)
        mine = np.flatnonzero(phases == phase)
        if len(mine):
            conducting = (theta % np.pi)[None, :] >= angles[mine, None]
            total += np.sin(theta) * (peak[mine, None] * conducting).sum(0)
    return float(np.sqrt(np.mean(total**2)))


def linear_neutral_a(a: float, b: float, c: float) -> float:
    """Neutral current of three linear loads in phase with their voltages."""
    return float(np.sqrt(max(0.0, a * a + b * b + c * c - a * b - b * c - c * a)))


def imbalance_percent(amperes: Floats) -> float:
    """Largest deviation of a supply line from the mean of all, in percent of the mean; 0 where nothing is drawn."""
    mean = float(amperes.mean())
    return float(np.abs(amperes - mean).max() / mean * 100) if mean > 0 else 0.0


class RackLoad:
    """One rack's running estimate."""

    def __init__(self, wired: RackWiring) -> None:
        rack = wired.rack
        self.wired = wired
        self.universe: UniverseId = rack.universe
        self.slots = np.array([way.slot - 1 for way in wired.ways], np.intp)
        self.supply = np.array([way.supply - 1 for way in wired.ways], np.int64)
        self.curve = np.array([_CURVES[way.curve] for way in wired.ways], np.int64)
        self.full_a = np.array([way.full_a for way in wired.ways])
        self.limit_a = np.array([way.limit_a for way in wired.ways])
        self.levels = np.zeros(len(wired.ways), np.uint8)
        self.way_a = np.zeros(len(wired.ways))
        self.supply_a: Floats = np.zeros(rack.supplies)
        self.worst_a = np.zeros(rack.supplies)
        self.known = False
        """Whether its universe's levels are known now."""
        self._estimated = False
        self._changes = 0
        self._neutral_a: float | None = None

    def estimate(self, levels: NDArray[np.uint8] | None) -> None:
        """Take the universe's 512 levels; None: unknown, so nothing is claimed and nothing is over."""
        self.known = levels is not None
        if levels is None:
            return
        now = levels[self.slots]
        if self._estimated and np.array_equal(now, self.levels):
            return
        self.levels = now
        self._estimated = True
        self._changes += 1
        volts = voltage_ratio(self.levels / 255, self.curve)
        self.way_a = self.full_a * np.where(volts > 0, np.power(volts, LAMP_POWER_EXPONENT - 1), 0)
        self.supply_a = np.bincount(self.supply, self.way_a, self.wired.rack.supplies).astype(np.float64)
        np.maximum(self.worst_a, self.supply_a, out=self.worst_a)

    def neutral_upper_a(self) -> float | None:
        """The larger neutral current of both phase sequences; None for a rack with one supply.

        While levels change it is worked out for every fifth change alone: about once a second.
        """
        if self.wired.rack.supplies != 3 or not self.known:
            return None
        if self._neutral_a is not None and self._changes < NEUTRAL_EVERY:
            return self._neutral_a
        self._changes = 0
        angles = firing_angle(np.where(self.curve <= SQUARE, voltage_ratio(self.levels / 255, self.curve), 1.0))
        self._neutral_a = max(neutral_rms(self.way_a, angles, self.supply, order) for order in (1, -1))
        return self._neutral_a

    def row(self) -> RackRow:
        """Return the estimate as of now, rounded for people."""
        rack = self.wired.rack
        neutral = self.neutral_upper_a()
        return RackRow(
            rack=rack.name,
            universe=str(rack.universe),
            known=self.known,
            volts=rack.volts,
            ways=tuple(
                WayLoad(
                    way=way.number,
                    supply=way.supply,
                    circuit=way.circuit,
                    module=way.module,
                    level=int(self.levels[index]),
                    estimated_a=round(float(self.way_a[index]), 2) if self.known else None,
                    full_a=round(way.full_a, 2),
                    limit_a=way.limit_a,
                )
                for index, way in enumerate(self.wired.ways)
            ),
            supplies=tuple(
                SupplyEstimate(
                    supply=number + 1,
                    estimated_a=round(float(self.supply_a[number]), 2) if self.known else None,
                    worst_a=round(float(self.worst_a[number]), 2),
                    full_a=round(self.wired.supply_full_a(number + 1), 2),
                    limit_a=rack.supply_limit_a,
                )
                for number in range(rack.supplies)
            ),
            neutral_upper_a=None if neutral is None else round(neutral, 2),
            neutral_limit_a=rack.neutral_limit_a,
            imbalance_percent=round(imbalance_percent(self.supply_a), 1) if self.known else None,
            note=NOTE,
        )


class Loads:
    """All racks of a house."""

    def __init__(self, house: House) -> None:
        self.racks = [RackLoad(wired) for wired in wiring(house)]

    def keep_worst(self, before: Loads) -> None:
        """Keep the worst figures of an earlier declaration, for racks that kept their name and supplies."""
        known = {rack.wired.rack.name: rack.worst_a for rack in before.racks}
        for rack in self.racks:
            worst = known.get(rack.wired.rack.name)
            if worst is not None and len(worst) == len(rack.worst_a):
                rack.worst_a = worst.copy()
