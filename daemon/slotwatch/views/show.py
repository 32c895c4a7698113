"""Sums of a show report: what a span of history amounts to. `views.report` writes the report."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from slotwatch.judge import wording
from slotwatch.snapshot import Severity, UniverseState
from slotwatch.views.answers.faults import IncidentAnswer
from slotwatch.views.answers.report import NotJudgedInterval, UniverseMinutes
from slotwatch.views.minutes import minute_at

WORST = 8
"""Universes whose worst minutes are drawn."""
_AT_FAULT = (UniverseState.LOST, UniverseState.MISSING, UniverseState.FAULTY)


@dataclass(frozen=True, slots=True)
class MinuteSums:
    """One universe's minutes that had one worst state, counted up."""

    universe: str
    state: int
    minutes: int
    frames: int
    lost_frames: int
    worst_gap_ms: float
    worst_minute: int
    """When that gap was: minutes since 1970."""
    rate_sum_hz: float
    rated: int
    """Minutes that had frames; `rate_sum_hz` is over these."""
    not_judged_s: float


@dataclass(slots=True)
class Tally:
    """Sums over one universe's minutes."""

    universe: str
    minutes: int = 0
    frames: int = 0
    lost_frames: int = 0
    worst_gap_ms: float = 0.0
    worst_minute: int = 0
    rate_sum_hz: float = 0.0
    rated: int = 0
    not_judged_s: float = 0.0
    states: Counter[int] = field(default_factory=Counter)

    def add(self, sums: MinuteSums) -> None:
        self.minutes += sums.minutes
        self.frames += sums.frames
        self.lost_frames += sums.lost_frames
        self.not_judged_s += sums.not_judged_s
        self.states[sums.state] += sums.minutes
        self.rate_sum_hz += sums.rate_sum_hz
        self.rated += sums.rated
        # A gap that this listener's own fault explains is not the universe's worst minute.
        if sums.worst_gap_ms > self.worst_gap_ms and sums.state != UniverseState.NOT_JUDGED:
            self.worst_gap_ms, self.worst_minute = sums.worst_gap_ms, sums.worst_minute

    @property
    def minutes_at_fault(self) -> int:
        """Minutes in which it was lost, missing or faulty at some moment."""
        return sum(self.states[state] for state in _AT_FAULT)

    def universe_minutes(self, label: str) -> UniverseMinutes:
        """Return the report's row of this universe."""
        worst = max(map(UniverseState, self.states), key=lambda state: state.rank, default=UniverseState.STEADY)
        return UniverseMinutes(
            universe=self.universe,
            label=label,
            minutes=self.minutes,
            frames=self.frames,
            lost_frames=self.lost_frames,
            refresh_hz=round(self.rate_sum_hz / self.rated, 2) if self.rated else None,
            worst_gap_ms=round(self.worst_gap_ms, 1),
            worst_minute_at=minute_at(self.worst_minute) if self.worst_minute else None,
            worst_state=worst.word,
            state_minutes={UniverseState(state).word: count for state, count in sorted(self.states.items())},
            not_judged_s=round(self.not_judged_s, 1),
        )


def tally(rows: Iterable[MinuteSums]) -> dict[str, Tally]:
    """Count up by universe."""
    found: dict[str, Tally] = {}
    for row in rows:
        held = found.get(row.universe)
        if held is None:
            held = found[row.universe] = Tally(row.universe)
        held.add(row)
    return found


def worst_universes(tallies: dict[str, Tally]) -> list[str]:
    """Return the universes with faults, worst first: by minutes at fault, then by missing frames."""
    found = [one for one in tallies.values() if one.minutes_at_fault or one.lost_frames]
    found.sort(key=lambda one: (one.minutes_at_fault, one.lost_frames, one.worst_gap_ms), reverse=True)
    return [one.universe for one in found[:WORST]]


def sentence(incidents: Sequence[IncidentAnswer], not_judged: Sequence[NotJudgedInterval], minutes: int) -> str:
    """How the show was, in one sentence."""
    if not minutes and not incidents:
        return "Nothing was kept of this time."
    by_severity = Counter(one["severity"] for one in incidents)
    parts = [
        f"{by_severity[severity.word]} {severity.word}" for severity in reversed(Severity) if by_severity[severity.word]
    ]
    text = f"{wording.count(len(incidents), 'incident')}: {', '.join(parts)}." if parts else "No incident."
    still = sum(one["state"] == "open" for one in incidents)
    if still == 1 == len(incidents):
        text += " It is still open."
    elif still:
        text += f" {still} of them {'is' if still == 1 else 'are'} still open."
    if not_judged:
        text += f" {wording.count(len(not_judged), 'interval')} could not be judged, through this listener's own fault."
    return text
