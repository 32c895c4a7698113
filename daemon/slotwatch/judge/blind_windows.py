"""Moments in which this computer itself did not listen, or not judge, and what must not be counted from them.

Rules that count over a window raise nothing new while it contains such a moment. On-delays run on without it.
What is raised stays. `host-overrun` reports overflows of this computer and explains what they cause.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from slotwatch.durations import NANOSECONDS


@dataclass(slots=True)
class NotJudged:
    """An interval in which this listener was at fault. It raises no fault against any source."""

    start_ns: int
    end_ns: int | None
    network: int | None
    """None: all of them."""
    reason: str


STALL = "stall"

LONGEST_MARK_NS = 4 * NANOSECONDS
"""Art-Net's keep-alive (Art-Net 4, ArtDmx: "every 4 seconds"): nothing that is due comes later than this."""


def mark_ns(late_ns: int) -> int:
    """How long after a moment of this length its marks may still come in.

    What was missed is counted when the next frame comes. A stream that missed three or more frames in the moment
    is due again within half of it; fewer make no rule's case.
    """
    return min(late_ns // 2, LONGEST_MARK_NS)


def is_counted(window_s: float, marked_until_ns: int, now_ns: int) -> bool:
    """Whether a window that ends now holds marks of such a moment; a window of 0 s holds none."""
    return window_s > 0 and marked_until_ns > 0 and now_ns - marked_until_ns < window_s * NANOSECONDS


def lasted_ns(intervals: Iterable[NotJudged], since_ns: int, now_ns: int) -> int:
    """How much of the time since then passed in such moments."""
    stalls = (one for one in intervals if one.reason == STALL)
    ends: list[tuple[int, int]] = [(one.start_ns, now_ns if one.end_ns is None else one.end_ns) for one in stalls]
    return sum(max(0, min(end_ns, now_ns) - max(start_ns, since_ns)) for start_ns, end_ns in ends)
