"""Line timing against figures computed from ANSI E1.11's table (44 µs a slot, break 92, mark 12, 1,204 µs)."""

from __future__ import annotations

import pytest

from slotwatch.wire.dmx512 import highest_refresh_hz, shortest_period_us


@pytest.mark.parametrize(
    ("slots", "period_us", "rate_hz"), [(512, 22676, 44.10), (100, 4548, 219.9), (24, 1204, 830.6)]
)
def test_table(slots: int, period_us: int, rate_hz: float) -> None:
    assert shortest_period_us(slots) == period_us
    assert highest_refresh_hz(slots) == pytest.approx(rate_hz, abs=0.05)


def test_short_frames_wait_for_the_shortest_period() -> None:
    assert {shortest_period_us(slots) for slots in range(25)} == {1204}
    assert shortest_period_us(25) > 1204


def test_no_frame_is_longer() -> None:
    with pytest.raises(ValueError, match="513 slots"):
        shortest_period_us(513)
