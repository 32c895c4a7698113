"""Which share of one stream's frames is missing here and at another listener, over the same seconds."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from slotwatch.judge.elsewhere import STALE_NS, OtherListener

if TYPE_CHECKING:
    from slotwatch.judge.context import RuleContext

MOST_STREAMS = 8192
SAMPLES = 64
SLACK_NS = STALE_NS + 2_000_000_000
"""A window may be longer than it should by this much. Answers that count may be as far apart as one may be old, and
both the request for the next one and the pass that takes it come a second later at most."""

ShareKey = tuple[str, int, int]
"""Other listener, row of the stream and its generation."""


@dataclass(frozen=True, slots=True)
class Shares:
    """One stream's counts over a window."""

    here: float
    there: float
    since_ns: int
    """When the worse side had not yet missed more than the other one."""
    last_ns: int
    """When the worse side was last seen to have missed more."""
    to_ns: int
    """When the newest counts were taken."""


@dataclass(frozen=True, slots=True)
class _Sample:
    t_ns: int
    network: str
    here: tuple[int, int]
    there: tuple[int, int]
    """(frames, missing) since each listener began."""


class MissingShares:
    """Counters of both sides, as of each answer."""

    def __init__(self) -> None:
        self._samples: dict[ShareKey, deque[_Sample]] = {}
        self._taken: dict[str, int] = {}

    def take(self, ctx: RuleContext) -> None:
        """Take the counters that each new answer gives, together with this listener's own."""
        for name in self._taken.keys() - {one.name for one in ctx.house.listeners}:
            del self._taken[name]  # the house file no longer declares it
            self._samples = {key: kept for key, kept in self._samples.items() if key[0] != name}
        for declared, other in ctx.listener.elsewhere.well(ctx):
            if self._taken.get(declared.name) != other.answered_ns:
                self._taken[declared.name] = other.answered_ns
                self._take(ctx, other)

    def _take(self, ctx: RuleContext, other: OtherListener) -> None:
        streams, seen = ctx.streams, set[ShareKey]()
        for row in ctx.live.nonzero()[0].tolist():
            key = (other.name, row, int(streams.generation[row]))
            found = other.stream_of(ctx, row)
            well = found is not None and found.judged and found.state == "live" and found.missing is not None
            if not well or not streams.sequence_measurable[row] or found is None:
                continue
            here = int(streams.frames[row]), int(streams.lost_frames[row])
            sample = _Sample(ctx.at_ns, found.network, here, (found.frames, found.missing or 0))
            kept = self._samples.get(key)
            if kept is None:
                if len(self._samples) >= MOST_STREAMS:
                    continue
                kept = self._samples[key] = deque(maxlen=SAMPLES)
            if kept and not _continues(kept[-1], sample):
                kept.clear()  # one of both was started again, or another of its networks is nearer now
            kept.append(sample)
            seen.add(key)
        for key in [key for key in self._samples if key[0] == other.name and key not in seen]:
            del self._samples[key]

    def over(self, ctx: RuleContext, window_ns: int, least_frames: int) -> dict[ShareKey, Shares]:
        """Give the shares of all streams of which both sides know a window of this length with this many frames.

        Counts that were taken longer ago than an answer counts say nothing of now.
        """
        found = {}
        for key, kept in self._samples.items():
            last = kept[-1]
            if ctx.now_ns - last.t_ns > STALE_NS:
                continue
            first = next((one for one in reversed(kept) if last.t_ns - one.t_ns >= window_ns), None)
            if first is None or last.t_ns - first.t_ns > window_ns + SLACK_NS:
                continue
            here, there = _share(first.here, last.here), _share(first.there, last.there)
            if min(here[1], there[1]) >= least_frames:
                began_ns, last_ns = _span(kept, first, worse_there=there[0] > here[0])
                found[key] = Shares(here[0], there[0], began_ns, last_ns, last.t_ns)
        return found


def _continues(before: _Sample, now: _Sample) -> bool:
    grows = all(a <= b for a, b in zip((*before.here, *before.there), (*now.here, *now.there), strict=True))
    return grows and before.network == now.network


def _span(kept: Sequence[_Sample], first: _Sample, *, worse_there: bool) -> tuple[int, int]:
    """Give between which samples of a window, from `first` on, the worse side missed more than the other one."""
    grown = []
    for before, now in pairwise(one for one in kept if one.t_ns >= first.t_ns):
        more = (now.there[1] - before.there[1]) - (now.here[1] - before.here[1])
        if (more if worse_there else -more) > 0:
            grown.append((before.t_ns, now.t_ns))
    return (grown[0][0], grown[-1][1]) if grown else (first.t_ns, kept[-1].t_ns)


def _share(first: tuple[int, int], last: tuple[int, int]) -> tuple[float, int]:
    """(missing share, frames that should have come) between two samples."""
    frames, missing = last[0] - first[0], last[1] - first[1]
    return (missing / (frames + missing) if frames + missing else 0.0), frames + missing
