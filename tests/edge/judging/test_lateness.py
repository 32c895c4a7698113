"""The histogram of waiting: every turn counted once, in the bucket whose upper edge it does not pass."""

from __future__ import annotations

import pytest

from slotwatch.edge.judging.lateness import BOUNDS_S, Lag

MS = 1_000_000


@pytest.mark.parametrize(
    ("age_ms", "bucket"), [(-5, 0), (0, 0), (5, 0), (6, 1), (50, 3), (51, 4), (1000, 7), (1001, 8), (60_000, 8)]
)
def test_an_age_falls_into_its_bucket(age_ms: int, bucket: int) -> None:
    lag = Lag()
    lag.note(age_ms * MS)
    assert lag.counts.index(1) == bucket


def test_counts_and_sum_only_grow() -> None:
    lag = Lag()
    for age_ms in (1, 20, 300):
        lag.note(age_ms * MS)
    counted_lag = lag.counted()
    assert sum(counted_lag.counts) == 3
    assert counted_lag.sum_s == pytest.approx(0.321)
    assert counted_lag.bounds_s == BOUNDS_S
