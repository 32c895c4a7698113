"""Moments and numbers as they go out: ISO 8601 UTC with milliseconds, rounded numbers, null for what is not known."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from slotwatch.durations import MILLISECOND_NS, NANOSECONDS

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST_YEAR, _LAST_YEAR = 1970, 2261
"""Years whose moments are positive and fit 64-bit nanoseconds, and so the history's columns."""


def iso_wall(wall_ns: int) -> str:
    """Write a wall-clock time (ns since 1970 UTC), cut to milliseconds: `2026-03-01T19:30:00.250Z`."""
    whole_s, rest_ns = divmod(int(wall_ns), NANOSECONDS)
    text = datetime.fromtimestamp(whole_s, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{rest_ns // MILLISECOND_NS:03d}Z"


def wall_moment(wall_ns: int) -> datetime:
    """A wall-clock time (ns since 1970 UTC) as a datetime in UTC."""
    return datetime.fromtimestamp(wall_ns / NANOSECONDS, UTC)


def iso(t_ns: int | None, wall_offset_ns: int) -> str | None:
    """Write a monotonic time. None and 0 (never) give None."""
    return iso_wall(t_ns + wall_offset_ns) if t_ns else None


def read_iso(text: str) -> int:
    """Read a time a person or script wrote into wall-clock ns; without a zone it is UTC. ValueError with a sentence."""
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{text!r} is not a time; write 2026-03-01T19:30:00Z") from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    if not _FIRST_YEAR <= moment.year <= _LAST_YEAR:
        raise ValueError(f"{text!r} is out of range; give a time from {_FIRST_YEAR} to {_LAST_YEAR}")
    since = moment - _EPOCH
    return (since.days * 86_400 + since.seconds) * NANOSECONDS + since.microseconds * 1000


def number(value: float, digits: int = 2) -> float | None:
    """Round for people; NaN and infinities, which JSON cannot hold, give None."""
    return round(value, digits) if math.isfinite(value) else None
