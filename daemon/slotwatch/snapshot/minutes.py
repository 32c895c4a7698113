"""Minutes as the history keeps them: of a universe, and of each source that moved on it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class StreamMinute:
    """What one source sent to one universe in one whole minute, pauses left out (`model.minute_intervals`)."""

    source: str
    """`wire.universe.source_key`."""
    rank: int
    """0: it was in control at the minute's end; the others by how much they sent."""
    frames: int
    lost_frames: int
    intervals: int
    moving_hz: float
    p50_ms: float
    p95_ms: float
    p99_ms: float
    longest_ms: float


@dataclass(slots=True)
class MinuteRow:
    """One universe's summary of one whole minute, for the history."""

    minute: int
    """Wall-clock minute: seconds since 1970 UTC divided by 60."""
    universe: str
    frames: int
    refresh_hz: float
    worst_gap_ms: float
    lost_frames: int
    sources: int
    state: int
    """Worst UniverseState of the minute."""
    not_judged_s: float = 0.0
    streams: tuple[StreamMinute, ...] = ()
    """Of its busiest sources, those that moved; by rank."""
