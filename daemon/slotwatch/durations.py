"""Seconds, milliseconds and the nanoseconds that all judgement is made in."""

from __future__ import annotations

NANOSECONDS = 1_000_000_000
"""Nanoseconds in a second."""
MILLISECOND_NS = 1_000_000
"""Nanoseconds in a millisecond."""
MICROSECOND_NS = 1_000
"""Nanoseconds in a microsecond."""
MINUTE_NS = 60 * NANOSECONDS
MINUTE_MS = 60_000
NEVER_NS = 1 << 62
"""A time that does not come."""


def ns_from_s(seconds: float) -> int:
    """Give whole nanoseconds for seconds."""
    return round(seconds * NANOSECONDS)


def ns_from_ms(milliseconds: float) -> int:
    """Give whole nanoseconds for milliseconds."""
    return round(milliseconds * MILLISECOND_NS)


def ms_from_ns(span_ns: float) -> float:
    """Give milliseconds for nanoseconds."""
    return span_ns / MILLISECOND_NS
