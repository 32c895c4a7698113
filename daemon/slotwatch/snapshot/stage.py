"""What depends on the declared patch: racks, lamp hours, the rig check, receivers. Times are monotonic nanoseconds."""

from __future__ import annotations

from dataclasses import dataclass

from slotwatch.snapshot.switches import PlaceRow


@dataclass(frozen=True, slots=True)
class WayLoad:
    """One way of a rack. Currents are estimates."""

    way: int
    supply: int
    circuit: str
    module: str
    level: int
    """0 to 255."""
    estimated_a: float | None
    """None while the rack's levels are not known."""
    full_a: float
    limit_a: float | None


@dataclass(frozen=True, slots=True)
class SupplyEstimate:
    """One supply line of a rack. Currents are estimates."""

    supply: int
    estimated_a: float | None
    worst_a: float
    full_a: float
    limit_a: float | None


@dataclass(frozen=True, slots=True)
class RackRow:
    """Estimated currents of one rack."""

    rack: str
    universe: str
    known: bool
    """Whether its universe's levels are known now."""
    volts: float
    ways: tuple[WayLoad, ...]
    supplies: tuple[SupplyEstimate, ...]
    neutral_upper_a: float | None
    neutral_limit_a: float | None
    imbalance_percent: float | None
    note: str


@dataclass(frozen=True, slots=True)
class LampHours:
    """What one circuit or fixture has burnt, by what was commanded."""

    kind: str
    """circuit | fixture."""
    name: str
    on_h: float
    full_equivalent_h: float
    switched_on: int
    rated_life_h: float | None
    band: str | None
    """Share of its rated life in words; None where none is declared."""

    def as_object(self) -> dict[str, object]:
        """Return the values as JSON has them, also in the history: the name under its kind."""
        return {
            self.kind: self.name,
            "on_h": self.on_h,
            "full_equivalent_h": self.full_equivalent_h,
            "switched_on": self.switched_on,
            "rated_life_h": self.rated_life_h,
            "band": self.band,
        }


@dataclass(frozen=True, slots=True)
class ReceiverRow:
    """A declared receiver, and whether it answers."""

    name: str
    address: str
    universes: tuple[str, ...]
    on_loss: str
    state: str
    """answers | silent | not-known."""
    last_seen_ns: int | None
    text: str = ""
    """In place of the state's word: why it is not known, or from where it answers. Else empty."""
    place: PlaceRow | None = None
    """Switch port that it is connected to, where a switch knows it."""
