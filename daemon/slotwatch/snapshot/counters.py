"""Counts for metrics. Each only rises while its process runs."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class LagHistogram:
    """How long packets waited between arrival and judgement: of each turn of judging, its oldest packet."""

    bounds_s: tuple[float, ...]
    """Upper bounds, rising."""
    counts: tuple[int, ...]
    """One for each bound, and one more for everything longer."""
    sum_s: float


@dataclass(frozen=True, slots=True)
class Counters:
    """What was received, refused and measured. Protocols and reasons by their words."""

    packets: dict[str, int] = field(default_factory=dict)
    """By protocol."""
    rejected: dict[tuple[str, str], int] = field(default_factory=dict)
    """By protocol and reason."""
    odd: dict[str, int] = field(default_factory=dict)
    """Packets that do not conform but are understood, by what is odd about them."""
    start_codes: dict[int, int] = field(default_factory=dict)
    evictions: dict[str, int] = field(default_factory=dict)
    """Rows given up, by table."""
    unkept: dict[str, int] = field(default_factory=dict)
    """Rows that a full table refused, by table."""
    interval_edges_s: tuple[float, ...] = ()
    intervals: dict[str, tuple[int, ...]] = field(default_factory=dict)
    """By protocol: how many intervals between frames lie up to each edge; the last ones are longer than all."""
    interval_sum_s: dict[str, float] = field(default_factory=dict)
    incidents_opened: dict[str, int] = field(default_factory=dict)
    """By rule."""
    judging_lag: LagHistogram | None = None
