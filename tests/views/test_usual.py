"""What grows worse, and what is usual, in words. The sentences are written out."""

from __future__ import annotations

import pytest

from slotwatch.model.trend import Trend
from slotwatch.model.usual import Usual
from slotwatch.model.usual_standing import GrowsWorse
from slotwatch.views.usual import trend_text, usual_text


@pytest.mark.parametrize(
    ("figure", "trend", "values", "limit", "left", "sentence"),
    [
        (
            "interval_p99_ms",
            Trend(6.0, 26.0, 86.0, 0.001),
            (30.0, *[50.0] * 8, 84.0),
            100.0,
            2.67,
            "Frames of e131/2 come less evenly from show to show: 99 of 100 intervals were within 30 ms in the first "
            "of the last 10 shows and 84 ms in the last. In about 3 shows they reach 100 ms, where "
            "uneven-refresh warns.",
        ),
        (
            "moving_hz",
            Trend(-1.5, 47.0, 30.5, 0.001),
            (44.0, *[40.0] * 8, 30.5),
            20.0,
            7.0,
            "Frames of e131/2 come more slowly from show to show: at 44.0 Hz in the first of the last 10 shows and "
            "30.5 Hz in the last. In about 7 shows they reach 20 Hz, where slow-refresh warns.",
        ),
        (
            "missing_percent",
            Trend(0.08, -0.05, 0.77, 0.001),
            (0.05, *[0.4] * 8, 0.77),
            1.0,
            0.2,
            "More frames of e131/2 are missing from show to show: 0.05 % in the first of the last 10 shows and 0.77 % "
            "in the last. In about 1 show it is 1 %, where packet-loss warns.",
        ),
    ],
)
def test_what_grows_worse_is_a_sentence(
    figure: str, trend: Trend, values: tuple[float, ...], limit: float, left: float, sentence: str
) -> None:
    """It names what the shows were, not where the line through them is."""
    assert trend_text(GrowsWorse("e131/2", figure, trend, limit, left, values)) == sentence


def test_what_is_usual_fits_a_column() -> None:
    rate, late = Usual(44.0, 0.1, 43.8, 44.1, 20), Usual(27.0, 1.0, 24.0, 31.0, 20)
    assert usual_text({"moving_hz": rate, "interval_p99_ms": late}, 20) == "44.0 Hz; 99 % within 24 to 31 ms (20 shows)"
    assert usual_text({"refresh_hz": rate}, 20) == "44.0 Hz (20 shows)"
    assert usual_text({}, 1) == "not known yet (1 show of 5)"
