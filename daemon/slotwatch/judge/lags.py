"""Whether one stream's levels are those of another, up to 200 ms late, and in which slots they differ.

Slots that move slowly are compared at one lag for the whole universe: the lag at which the two lie closest together. A
difference is found there if it exceeds 5 % of the range plus 40 ms of the slot's speed. Slots that jump are compared
with all levels that the other stream had in the last 300 ms. Slots that do not move must be equal.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.judge.context import RuleContext
from slotwatch.wire.universe import SLOTS

MARGIN = 13
"""Difference in levels that is allowed while a slot moves: 5 % of the range."""
STILL_NS = 300_000_000
"""Levels that have not changed for this time, longer than any lag, must be equal."""
ALLOWED_LAG_MS = 200.0
SAMPLES = 3
"""Now, 100 ms and 200 ms ago: the lag that is allowed."""
SAMPLES_OF_JUMPS = 4
"""One more than for slow slots: a jump between two samples is in neither of them."""
LAGS_NS = (*(20_000_000 * step for step in range(14)), -20_000_000, -40_000_000, -60_000_000)
"""Lags that are tried: up to the allowed 200 ms and two frames at 40 Hz; a backup's frames may also come first."""
UNSURE_S = 0.04
"""How far two samples may be from their moments: one frame of each stream at 40 Hz, and some jitter."""
JUMP_PER_S = 640.0
"""Levels a second from which a slot counts as jumping: a quarter of the range in 100 ms."""
CLOSE_NS = 160_000_000
"""Samples further apart say nothing of what lay between them."""
CLOSE = 2.0
"""Mean distance in levels at which no better lag is looked for."""
MOST_SEARCHED = 32
"""Pairs whose lag is searched in one pass; the rest are compared as if their slots jumped."""
Rows = NDArray[np.intp]
Levels = NDArray[np.float32]


@dataclass(slots=True)
class Sample:
    """Levels of all streams that share a universe, at one moment. Shape (R, 512)."""

    t_ns: int
    levels: NDArray[np.uint8]


class Lags:
    """The levels of the last moments, and the comparison at a lag."""

    def __init__(self) -> None:
        self._rows: Rows = np.zeros(0, np.intp)
        self._samples: deque[Sample] = deque(maxlen=6)

    @property
    def has_samples(self) -> bool:
        return len(self._samples) > 0

    def clear(self) -> None:
        """Forget all samples."""
        self._rows = np.zeros(0, np.intp)
        self._samples.clear()

    def sample(self, ctx: RuleContext, rows: Rows) -> None:
        """Keep the levels of these stream rows as they are now."""
        if not np.array_equal(rows, self._rows):
            self._rows = rows
            self._samples.clear()
        self._samples.append(Sample(ctx.now_ns, ctx.streams.levels[rows].copy()))

    def out_of_step(self, ctx: RuleContext, a: Rows, b: Rows) -> tuple[NDArray[np.bool_], NDArray[np.int16]]:
        """Compare streams b with a, both (P,). Returns (P, 512) slots out of step, and how far apart they are."""
        streams = ctx.streams
        place = np.zeros(streams.count, np.intp)
        place[self._rows] = np.arange(len(self._rows))
        of_a, of_b = place[a], place[b]
        both = np.minimum(streams.slots[a], streams.slots[b])[:, None] > np.arange(SLOTS)
        still = ctx.now_ns - np.maximum(streams.last_change_ns[a], streams.last_change_ns[b]) > STILL_NS
        out, apart = self._outside(of_a, of_b, np.where(still, 0, MARGIN)[:, None], SAMPLES)
        moving = np.flatnonzero(~still & (np.abs(apart) > MARGIN).any(1))[:MOST_SEARCHED]
        recent = self._recent(ctx.now_ns)
        if len(moving) and len(recent) > 2:
            slow, margin, off, far = _at_best_lag(recent, of_a[moving], of_b[moving], ctx.now_ns)
            jumping, _ = self._outside(of_a[moving], of_b[moving], margin, SAMPLES_OF_JUMPS)
            out[moving] = np.where(slow, off, jumping)
            apart[moving] = np.where(slow, far, apart[moving])
        return out & both, apart

    def _outside(
        self, of_a: Rows, of_b: Rows, margin: NDArray[np.int64] | NDArray[np.float32], samples: int
    ) -> tuple[NDArray[np.bool_], NDArray[np.int16]]:
        """Compare each with all that the other showed in the last samples, within a margin."""
        newest = self._samples[-1]
        kept = np.stack([one.levels for one in list(self._samples)[-samples:]])
        low, high = kept.min(0).astype(np.int16), kept.max(0).astype(np.int16)
        now_a, now_b = newest.levels[of_a].astype(np.int16), newest.levels[of_b].astype(np.int16)
        b_late = (now_b >= low[of_a] - margin) & (now_b <= high[of_a] + margin)
        a_late = (now_a >= low[of_b] - margin) & (now_a <= high[of_b] + margin)
        out: NDArray[np.bool_] = ~b_late & ~a_late
        return out, np.abs(now_a - now_b)

    def _recent(self, now_ns: int) -> list[Sample]:
        """Give the newest samples that lie close together, the newest first, as far back as the largest lag."""
        found: list[Sample] = []
        for one in reversed(self._samples):
            if found and found[-1].t_ns - one.t_ns > CLOSE_NS:
                return []
            found.append(one)
            if now_ns - one.t_ns >= max(LAGS_NS):
                return found
        return []


def _at_best_lag(
    recent: list[Sample], of_a: Rows, of_b: Rows, now_ns: int
) -> tuple[NDArray[np.bool_], Levels, NDArray[np.bool_], NDArray[np.int16]]:
    """(P, 512) slots that no stream moves fast, what may lie between, which differ at the best lag, how far."""
    past_a = [one.levels[of_a].astype(np.float32) for one in recent]
    past_b = [one.levels[of_b].astype(np.float32) for one in recent]
    times = [one.t_ns for one in recent]
    speed = np.zeros(past_a[0].shape, np.float32)
    for past in (past_a, past_b):
        for at in range(len(recent) - 1):
            span_s = max(times[at] - times[at + 1], 1) / 1e9
            speed = np.maximum(speed, np.abs(past[at] - past[at + 1]) / np.float32(span_s))
    slow = speed <= JUMP_PER_S
    margin = MARGIN + np.float32(UNSURE_S) * speed
    moves = slow & (speed > 0)
    counted = np.maximum(moves.sum(1), 1)
    best = np.full(len(of_a), np.inf, np.float32)
    off = np.zeros(slow.shape, np.bool_)
    far = np.zeros(slow.shape, np.float32)
    found = np.zeros(len(of_a), np.bool_)
    for lag_ns in LAGS_NS:
        left = np.flatnonzero(~found)
        if not len(left):
            break
        late, ahead = (past_a, past_b) if lag_ns >= 0 else (past_b, past_a)
        distance = np.abs(ahead[0][left] - _between(late, times, now_ns - abs(lag_ns), left))
        # The sum of distances finds the lag of most slots, not a lag between two groups of them.
        mean = np.where(moves[left], distance, 0).sum(1) / counted[left]
        better = mean < best[left]
        rows = left[better]
        best[rows], far[rows] = mean[better], distance[better]
        off[rows] = slow[rows] & (distance[better] > margin[rows])
        found[rows] = (best[rows] <= CLOSE) & ~off[rows].any(1)
    return slow, margin, off, far.astype(np.int16)


def _between(past: list[Levels], times: list[int], t_ns: int, rows: Rows) -> Levels:
    """Levels of some rows at a moment between samples, newest first: linear, and the ends as they are."""
    for at in range(len(times) - 1):
        if t_ns >= times[at + 1]:
            span = max(times[at] - times[at + 1], 1)
            share = np.float32(min(max(t_ns - times[at + 1], 0) / span, 1.0))
            between: Levels = past[at + 1][rows] + (past[at][rows] - past[at + 1][rows]) * share
            return between
    return past[-1][rows]
