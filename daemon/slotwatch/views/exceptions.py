"""How long an exception that is made from an incident holds: for tonight, or until a date."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta, tzinfo

from slotwatch.durations import NANOSECONDS
from slotwatch.views.house_time import zone_named

TONIGHT = "tonight"
MORNING = time(6, 0)
"""A night ends then, by the house's clock: after the last strike, before the first get-in."""
LONGEST = timedelta(days=2 * 366)


def end_of_exception(until: str, now_wall_ns: int, time_zone: str) -> int:
    """When it ends, wall-clock ns: the next morning, the end of a date, or a time. ValueError with a sentence."""
    zone = zone_named(time_zone)
    now = datetime.fromtimestamp(now_wall_ns / NANOSECONDS, zone)
    end = _end(until.strip(), now, zone)
    if not now < end <= now + LONGEST:
        raise ValueError(f"{until!r} is past, or more than two years ahead; an exception needs an end in the future")
    return int(end.timestamp()) * NANOSECONDS


def _end(until: str, now: datetime, zone: tzinfo) -> datetime:
    if until == TONIGHT:
        day = now.date() + timedelta(days=now.time() >= MORNING)
        return datetime.combine(day, MORNING, zone)
    try:
        if len(until) == len("2027-01-31"):
            return datetime.combine(date.fromisoformat(until) + timedelta(days=1), time(0), zone)
        found = datetime.fromisoformat(until)
    except (ValueError, OverflowError):
        raise ValueError(f'{until!r} is not an end; write "tonight" or a date such as 2027-01-31') from None
    return found if found.tzinfo else found.replace(tzinfo=zone)
