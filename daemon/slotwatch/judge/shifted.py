"""Right data on the wrong universe: levels that fit another universe's patch and not their own."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.wire.universe import UniverseId

LEAST_SLOTS = 10
"""Fewer slots above zero fit too many patches."""
OWN_FIT = 0.6
OTHER_FIT = 0.97
COVERED = 0.3
"""Part of the other patch that must be in use, so that a full universe does not fit everything."""


def fitting_universe(
    house: House, used: NDArray[np.bool_], declared: int, levels: NDArray[np.uint8]
) -> UniverseId | None:
    """The declared universe whose patch these levels fit, if it is not their own; the nearest number of several.

    used: (D, 512) slots that each declared universe's patch uses.   levels: (512,).
    """
    active = levels > 0
    count = int(active.sum())
    if count < LEAST_SLOTS or used[declared][active].sum() > OWN_FIT * count:
        return None
    inside = used[: len(house.universes), active].sum(1)
    size = used[: len(house.universes)].sum(1)
    fits = np.flatnonzero((inside >= OTHER_FIT * count) & (inside >= COVERED * np.maximum(size, 1)))
    own = house.universes[declared].id
    others = [house.universes[index].id for index in fits.tolist() if index != declared]
    near = [other for other in others if other.protocol is own.protocol]
    return min(near, key=lambda other: abs(other.number - own.number), default=None)
