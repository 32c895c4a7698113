"""Whether a figure grows worse from show to show, and when it will reach a limit.

The slope is the median of the slopes of all pairs (Theil 1950, Sen 1968), the test is Mann's of 1945 with Kendall's
distribution: H. Theil, "A rank-invariant method of linear and polynomial regression analysis"; P. K. Sen, "Estimates of
the regression coefficient based on Kendall's tau", Journal of the American Statistical Association 63 (1968), pages
1379 to 1389; H. B. Mann, "Nonparametric tests against trend", Econometrica 13 (1945); all cited from memory. Tests
compare both with SciPy (`scipy.stats.theilslopes`, `kendalltau`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import erfc, sqrt

import numpy as np

SHOWS = 10
"""Number of shows over which a trend is looked for."""
P_VALUE = 0.01
"""Two-sided: ten shows without a trend seem to have one of either kind once in a hundred times."""
WITHIN_SHOWS = 10
"""A limit that is further away is not shown."""


@dataclass(frozen=True, slots=True)
class Trend:
    """A line through the shows."""

    slope: float
    """A show."""
    first: float
    """Where the line is at the first show, and at the last."""
    last: float
    p_value: float

    @property
    def is_certain(self) -> bool:
        return self.p_value < P_VALUE

    def shows_to(self, limit: float) -> float | None:
        """How many shows until the line is at a limit; None: it leads away, or is past it."""
        way = limit - self.last
        return way / self.slope if self.slope and way / self.slope > 0 else None


def trend_of(values: Sequence[float]) -> Trend:
    """Fit values of successive shows, oldest first, at least two."""
    held = np.asarray(values, np.float64)
    low, high = np.triu_indices(len(held), 1)
    slope = float(np.median((held[high] - held[low]) / (high - low)))
    place = np.arange(len(held))
    start = float(np.median(held - slope * place))
    return Trend(slope, start, start + slope * (len(held) - 1), mann_kendall(values))


def mann_kendall(values: Sequence[float]) -> float:
    """Two-sided p value of Mann's test: exact without ties, else by the normal distribution with its corrections."""
    held = np.asarray(values, np.float64)
    count = len(held)
    low, high = np.triu_indices(count, 1)
    score = int(np.sign(held[high] - held[low]).sum())
    ties = [number for number in Counter(held.tolist()).values() if number > 1]
    if not ties:
        return _exact(count, abs(score))
    variance = count * (count - 1) * (2 * count + 5) - sum(t * (t - 1) * (2 * t + 5) for t in ties)
    if variance <= 0 or score == 0:
        return 1.0
    return erfc((abs(score) - 1) / sqrt(variance / 18) / sqrt(2))


@cache
def _exact(count: int, score: int) -> float:
    """Share of all orders whose score is as far from none, either way."""
    orders = [1]
    for size in range(2, count + 1):
        orders = [sum(orders[max(0, k - size + 1) : k + 1]) for k in range(len(orders) + size - 1)]
    pairs = count * (count - 1) // 2
    far = sum(number for inversions, number in enumerate(orders) if abs(pairs - 2 * inversions) >= score)
    return far / sum(orders)
