"""The house's own clock, for pages that people read: a moment that goes out as UTC, in the house's time zone."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.views.moments import read_iso


def zone_named(name: str) -> tzinfo:
    """A time zone by its name; UTC if this computer does not know it."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return UTC


def house_moment(text: str, zone: tzinfo) -> datetime:
    """An ISO 8601 moment as the house's clock had it."""
    return datetime.fromtimestamp(read_iso(text) / NANOSECONDS, zone)


def read_at(text: str | None, now: datetime) -> str:
    """A moment in the zone of `now`: `20:41:07` of its day, else with the day. Empty where there is none."""
    if not text:
        return ""
    moment = datetime.fromtimestamp(read_iso(text) / NANOSECONDS, now.tzinfo)
    return wording.written(moment, "%H:%M:%S" if moment.date() == now.date() else "%a %-d %b %Y, %H:%M:%S")
