"""Which stretches of time count as shows, where a house stays in the phase `show` for days.

An ordinary show is its phase. One of over LONG_SHOW_MS is split where nothing at all was heard for ABSENT_MINUTES: the
desk was off for the night. The first and last minutes of a part are left out, for a desk that is switched on or off in
the phase `show` is an incident, and that is not the show's.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from slotwatch.durations import MINUTE_MS
from slotwatch.edge.front.history_archive import Archive

LONG_SHOW_MS = 12 * 60 * MINUTE_MS
"""Longer than any show of a day; common practice, no source."""
STEP_MINUTES = 30
ABSENT_MINUTES = 4 * STEP_MINUTES
SETTLE_MINUTES = 2
"""After the first frames: an incident that was over with them has closed by then."""

Span = tuple[int, int]
"""From and to, wall-clock ms."""


def parts_of(archive: Archive, span: Span, is_running: bool) -> tuple[list[Span], int | None]:
    """Split one stretch of the phase `show`: the parts that have ended, oldest first, and when the one that runs began.

    A part of which the beginning is not kept any more is left out: its figures were worked out while it was.
    """
    since_ms, until_ms = span
    if until_ms - since_ms <= LONG_SHOW_MS:
        return ([], since_ms) if is_running else ([span], None)
    ended: list[Span] = []
    for first, last in _heard_together(archive, span):
        begin_ms = max(since_ms, (first + SETTLE_MINUTES) * MINUTE_MS)
        if is_running and last * MINUTE_MS > until_ms - ABSENT_MINUTES * MINUTE_MS:
            return ended, begin_ms
        if last * MINUTE_MS > begin_ms:
            ended.append((begin_ms, last * MINUTE_MS))
    return ended, None


def _heard_together(archive: Archive, span: Span) -> Iterator[tuple[int, int]]:
    """First and last minutes in which anything was heard, with no long absence between."""
    first, last = span[0] // MINUTE_MS, span[1] // MINUTE_MS
    kept = archive.first_minute()
    steps = archive.heard_steps(max(first, kept), last, STEP_MINUTES)
    gaps = [n for n, (one, later) in enumerate(pairwise(steps), 1) if later - one > ABSENT_MINUTES]
    bounds = [0, *gaps, len(steps)]
    for begin, end in pairwise(bounds):
        if begin == end or (begin == 0 and kept > first and steps[0] - kept <= ABSENT_MINUTES):
            continue  # nothing, or its beginning is not kept any more
        found = archive.heard_between(steps[begin], steps[end - 1] + STEP_MINUTES - 1)
        if found is not None:
            yield found
