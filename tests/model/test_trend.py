"""Slopes and certainty of trends, against SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kendalltau, theilslopes

from slotwatch.model.trend import mann_kendall, trend_of


@pytest.mark.parametrize("seed", range(40))
def test_slope_and_p_value_are_those_of_scipy(seed: int) -> None:
    chance = np.random.default_rng(seed)
    values = chance.normal(30, 4, 10) + chance.uniform(-2, 2) * np.arange(10)
    found = trend_of(values.tolist())
    slope, *_ = theilslopes(values, np.arange(10))
    assert found.slope == pytest.approx(slope)
    # SciPy lays the line through the medians of both axes; here it is the median of what remains.
    assert found.last - found.first == pytest.approx(9 * slope)
    assert found.first == pytest.approx(np.median(values - slope * np.arange(10)))
    assert mann_kendall(values.tolist()) == pytest.approx(kendalltau(np.arange(10), values, method="exact").pvalue)


@pytest.mark.parametrize("seed", range(20))
def test_ties_are_corrected_for_and_make_nothing_more_certain(seed: int) -> None:
    """SciPy's has no correction for continuity, so it is a little bolder."""
    values = np.round(np.random.default_rng(seed).normal(0, 1.5, 10)) + 0.3 * np.arange(10).round(-1)
    bold = kendalltau(np.arange(10), values, method="asymptotic").pvalue
    assert bold <= mann_kendall(values.tolist()) <= min(1.0, bold + 0.2)


def test_equal_shows_have_no_trend() -> None:
    assert (mann_kendall([3.0] * 10), trend_of([3.0] * 10).slope) == (1.0, 0.0)


def test_when_a_limit_will_be_reached() -> None:
    rising = trend_of([10.0 + 2 * number for number in range(10)])
    assert rising.is_certain
    assert rising.shows_to(38.0) == pytest.approx(5.0)
    assert rising.shows_to(20.0) is None, "it is past it"
    assert trend_of([20.0 - number for number in range(10)]).shows_to(38.0) is None, "it leads away"


def test_two_of_ten_shows_may_be_odd() -> None:
    """Theil's and Sen's slope breaks down at 29 %, from memory: two odd shows of ten hardly move it."""
    values = [10.0 + number for number in range(10)]
    values[3], values[8] = 90.0, 0.0
    assert trend_of(values).slope == pytest.approx(1.0, abs=0.2)
