"""When an exception ends: by the house's own clock, also on the nights on which the clocks change."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from slotwatch.views.exceptions import end_of_exception

LONDON = "Europe/London"


def end(until: str, now: str) -> str:
    """Both in London's local time."""
    zone = ZoneInfo(LONDON)
    now_ns = int(datetime.fromisoformat(now).replace(tzinfo=zone).timestamp()) * 1_000_000_000
    found = end_of_exception(until, now_ns, LONDON)
    return datetime.fromtimestamp(found // 1_000_000_000, zone).replace(tzinfo=None).isoformat(timespec="minutes")


@pytest.mark.parametrize(
    ("until", "now", "wanted"),
    [
        ("tonight", "2026-06-01T19:00", "2026-06-02T06:00"),
        ("tonight", "2026-06-02T01:30", "2026-06-02T06:00"),
        ("tonight", "2026-06-02T06:00", "2026-06-03T06:00"),
        ("tonight", "2026-10-24T22:00", "2026-10-25T06:00"),
        ("2026-06-03", "2026-06-01T19:00", "2026-06-04T00:00"),
        ("2026-06-01", "2026-06-01T19:00", "2026-06-02T00:00"),
        ("2026-06-01T23:15", "2026-06-01T19:00", "2026-06-01T23:15"),
        ("2026-06-01T22:15+00:00", "2026-06-01T19:00", "2026-06-01T23:15"),
    ],
)
def test_it_ends(until: str, now: str, wanted: str) -> None:
    assert end(until, now) == wanted


@pytest.mark.parametrize("until", ["", "soon", "2026-05-31", "2029-01-01", "2026-06-01T10:00", "9999-12-31"])
def test_what_is_no_end_to_come_is_refused(until: str) -> None:
    with pytest.raises(ValueError, match="end"):
        end(until, "2026-06-01T19:00")


def test_an_unknown_zone_is_utc() -> None:
    noon_ns = int(datetime(2026, 6, 1, 12, tzinfo=UTC).timestamp()) * 1_000_000_000
    assert end_of_exception("tonight", noon_ns, "Nowhere/Land") == noon_ns + 18 * 3600 * 1_000_000_000
