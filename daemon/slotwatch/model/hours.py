"""Hours on, full-equivalent hours and switch counts of circuits and fixtures, from what is commanded."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.snapshot.stage import LampHours

ON = 13
"""5 % of full: below it a lamp glows at most (common practice, no source)."""
MAX_STEP_NS = 5 * NANOSECONDS
"""A longer pause between looks counts as this much: what was shown in it is not known."""
BANDS = ((0.7, "young"), (1.0, "ageing"), (1.3, "due"))
"""Upper end of each band as a share of the rated life; beyond the last: overdue (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Counted:
    """One thing that is counted: a circuit, or a fixture."""

    kind: str
    """circuit | fixture."""
    name: str
    rated_life_h: float | None = None

    @property
    def key(self) -> str:
        return f"{self.kind} {self.name}"


class Hours:
    """Counts for a list of things, as arrays in its order."""

    def __init__(self, things: Iterable[Counted]) -> None:
        self.things = tuple(things)
        count = len(self.things)
        self.on_s = np.zeros(count)
        self.full_s = np.zeros(count)
        self.switches = np.zeros(count, np.int64)
        self.changed_ns = np.zeros(count, np.int64)
        """When its lamp was changed last, 0: not known."""
        self._was_on = np.zeros(count, np.bool_)
        self._looked_ns = 0

    def look(self, levels: NDArray[np.uint8], known: NDArray[np.bool_], now_ns: int) -> None:
        """Take the level of each thing (its brightest slot); where it is not known nothing is counted."""
        step_s = min(now_ns - self._looked_ns, MAX_STEP_NS) / NANOSECONDS if self._looked_ns else 0.0
        self._looked_ns = now_ns
        on = (levels >= ON) & known
        self.on_s += on * step_s
        self.full_s += np.where(known, levels, 0) * (step_s / 255)
        self.switches += on & ~self._was_on
        self._was_on = np.where(known, on, self._was_on)

    def lamp_change(self, name: str, now_ns: int) -> Counted:
        """Reset the hours of a circuit or fixture. ValueError if nothing has this name."""
        for index, thing in enumerate(self.things):
            if name in (thing.name, thing.key):
                self.on_s[index] = self.full_s[index] = 0.0
                self.switches[index] = 0
                self.changed_ns[index] = now_ns
                return thing
        raise ValueError(f"this house has no {name}")

    def rows(self, only_used: bool = True) -> list[LampHours]:
        """Return one row for each thing that was ever on, or for each thing."""
        found = np.flatnonzero((self.switches > 0) | (self.changed_ns > 0)) if only_used else range(len(self.things))
        return [self._row(int(index)) for index in found]

    def restore(self, rows: Iterable[LampHours]) -> None:
        """Add what an earlier run counted. Rows of things that are no longer declared are left out."""
        places = {(thing.kind, thing.name): index for index, thing in enumerate(self.things)}
        for row in rows:
            index = places.get((row.kind, row.name))
            if index is not None:
                self.on_s[index] += row.on_h * 3600
                self.full_s[index] += row.full_equivalent_h * 3600
                self.switches[index] += row.switched_on

    def take_over(self, before: Hours) -> None:
        """Continue the counts of an earlier declaration."""
        places = {thing.key: index for index, thing in enumerate(before.things)}
        for index, thing in enumerate(self.things):
            old = places.get(thing.key)
            if old is not None:
                for mine, theirs in zip(self._columns(), before._columns(), strict=True):
                    mine[index] = theirs[old]
        self._looked_ns = before._looked_ns

    def _columns(self) -> tuple[NDArray[Any], ...]:
        return self.on_s, self.full_s, self.switches, self.changed_ns, self._was_on

    def _row(self, index: int) -> LampHours:
        thing = self.things[index]
        on_h, full_h = float(self.on_s[index]) / 3600, float(self.full_s[index]) / 3600
        return LampHours(
            kind=thing.kind,
            name=thing.name,
            on_h=round(on_h, 3),
            full_equivalent_h=round(full_h, 3),
            switched_on=int(self.switches[index]),
            rated_life_h=thing.rated_life_h,
            band=life_band(full_h, on_h, thing.rated_life_h),
        )


def life_band(full_h: float, on_h: float, rated_h: float | None) -> str | None:
    """How much of its rated life a lamp has used: between its full-equivalent hours and its hours on.

    A dimmed lamp lives much longer, so the lower figure speaks for it and the upper one against: where they
    fall into different bands both are given. None where no life is declared.
    """
    if not rated_h:
        return None
    low, high = _band(full_h / rated_h), _band(on_h / rated_h)
    return low if low == high else f"{low} to {high}"


def _band(share: float) -> str:
    return next((word for end, word in BANDS if share < end), "overdue")
