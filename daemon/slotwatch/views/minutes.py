"""A universe's minutes as rows: the history line of its page, and what a report counts."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from slotwatch.snapshot import MinuteRow, UniverseState
from slotwatch.views.moments import NANOSECONDS, iso_wall, number

COLUMNS = ["at", "frames", "refresh_hz", "worst_gap_ms", "lost_frames", "sources", "state", "not_judged_s"]
_MINUTE_NS = 60 * NANOSECONDS


def minute_at(minute: int) -> str:
    """When a minute begins."""
    return iso_wall(minute * _MINUTE_NS)


def minute_rows(minutes: Iterable[MinuteRow]) -> list[list[Any]]:
    """Rows in the order of COLUMNS, oldest first as they come. `state` is the worst of the minute."""
    return [
        [
            minute_at(row.minute),
            row.frames,
            number(row.refresh_hz),
            number(row.worst_gap_ms, 1),
            row.lost_frames,
            row.sources,
            UniverseState(row.state).word,
            row.not_judged_s,
        ]
        for row in minutes
    ]
