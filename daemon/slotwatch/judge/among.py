"""Finds the numbers of an array that are among a few others, quicker than `np.isin` where those are very few."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

FEW = 4
"""With more than this, sorting them once costs less than a comparison with each."""


def is_among(values: NDArray[np.integer], wanted: Collection[int] | NDArray[np.integer]) -> NDArray[np.bool_]:
    """(N,) whether each value is one of these."""
    if len(wanted) > FEW:
        return np.isin(values, wanted if isinstance(wanted, np.ndarray) else list(wanted))
    found = np.zeros(values.shape, np.bool_)
    for one in wanted:
        found |= values == one
    return found
