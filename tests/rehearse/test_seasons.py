"""A few seasons of `tests.rehearse.seasons`: healthy ones say nothing, a drift is found at its night and no earlier.

200 seasons are a run of minutes: `python -m tests.rehearse.seasons`.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kendalltau, theilslopes

from tests.rehearse.seasons import Pace, healthy_season, minutes_of, season

NIGHTS, DRIFT_FROM, EACH_MS = 30, 15, 7.0
EVEN = Pace(rate_hz=40.0, late_ms=3.0, by_night=0.1, by_minute=0.1, odd_minutes=0.0, lost_percent=0.0)


@pytest.mark.parametrize("seed", [11, 12])
def test_a_healthy_season_says_nothing(seed: int) -> None:
    for notes in healthy_season(seed, universes=2, shows=20):
        assert (notes.unlike, notes.grows_worse) == ([], [])
        assert notes.judged == 15, "all but the first five nights"


@pytest.mark.parametrize("seed", range(3))
def test_a_drift_is_found_at_the_stated_night_and_no_earlier(seed: int) -> None:
    """From night 15 on each night is 7 ms later.

    Usual is 28 ms at 25 ms an interval: unlike usual is 28 + 2 x 25 = 78 ms, which is 50 ms or eight nights later. The
    trend needs a rise of 50 ms over ten shows, and certainty; SciPy says of the values without noise when that is.
    """
    chance = np.random.default_rng(seed)
    drift_ms = [max(0, night - DRIFT_FROM + 1) * EACH_MS for night in range(NIGHTS)]
    nights = (
        list(minutes_of(EVEN, night, chance, worse_ms=worse_ms, minutes=30)) for night, worse_ms in enumerate(drift_ms)
    )
    notes = season(nights)
    assert notes.unlike[0] == DRIFT_FROM + 7
    assert notes.grows_worse == [next(night for night in range(9, NIGHTS) if is_trend(drift_ms[night - 9 : night + 1]))]
    assert notes.grows_worse[0] < notes.unlike[0], "it is reported before it is unlike usual"


def is_trend(values: list[float]) -> bool:
    """By SciPy's slope, and its test (bolder than ours where values are equal)."""
    slope = theilslopes(values, np.arange(10))[0]
    return bool(9 * slope >= 50 and kendalltau(np.arange(10), values).pvalue < 0.01)


def test_a_house_that_simply_changed_becomes_usual() -> None:
    """From night 12 on it is 60 ms later, every night alike: reported until half the shows are so."""
    chance = np.random.default_rng(4)
    nights = (
        list(minutes_of(EVEN, night, chance, worse_ms=60.0 * (night >= 12), minutes=30)) for night in range(NIGHTS)
    )
    notes = season(nights)
    assert notes.unlike[0] == 12
    assert notes.unlike[-1] < 24
