"""A universe's minutes as rows: the history line of its page, and what a report counts."""

from __future__ import annotations

from collections.abc import Iterable

from slotwatch.durations import NANOSECONDS
from slotwatch.snapshot import UniverseState
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.views.answers.report import MinuteCells
from slotwatch.views.moments import iso_wall, number

COLUMNS = list(MinuteCells.__struct_fields__)
_MINUTE_NS = 60 * NANOSECONDS


def minute_at(minute: int) -> str:
    """When a minute begins."""
    return iso_wall(minute * _MINUTE_NS)


def minute_rows(minutes: Iterable[MinuteRow]) -> list[MinuteCells]:
    """Return one row for each minute, in the order given. As JSON each is an array in the order of COLUMNS."""
    return [
        MinuteCells(
            at=minute_at(row.minute),
            frames=row.frames,
            refresh_hz=number(row.refresh_hz),
            worst_gap_ms=number(row.worst_gap_ms, 1),
            lost_frames=row.lost_frames,
            sources=row.sources,
            state=UniverseState(row.state).word,
            not_judged_s=row.not_judged_s,
            **_pace(row),
        )
        for row in minutes
    ]


def _pace(row: MinuteRow) -> dict[str, float]:
    """Of the source in control, while it moves."""
    lead = next((one for one in row.streams if one.rank == 0), None)
    if lead is None:
        return {}
    return {
        "moving_hz": lead.moving_hz,
        "interval_p50_ms": lead.p50_ms,
        "interval_p95_ms": lead.p95_ms,
        "interval_p99_ms": lead.p99_ms,
    }
