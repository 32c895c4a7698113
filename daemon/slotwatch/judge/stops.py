"""When a stream stopped: the span from its last frame to the next one that was due.

Two streams stopped together when their spans overlap. Source of the times: ANSI E1.31-2018 6.6.2 (three
repeats, then one packet per 800 to 1000 ms); Art-Net: one packet per 4 s at rest, data sent on change.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.judge.context import RuleContext
from slotwatch.judge.model_view import StreamColumns
from slotwatch.model.announced_ends import announced_ends
from slotwatch.wire.universe import Protocol

KEEP_ALIVE_E131_NS = 1_050_000_000
KEEP_ALIVE_ARTNET_NS = 4_200_000_000
SHORTEST_NS = 60_000_000
SLACK_NS = 250_000_000
"""What jitter and the order of universes within one frame may add."""
LONGEST_NS = 2 * KEEP_ALIVE_ARTNET_NS
RESTING_FRAMES = 6
"""More equal frames than a sender repeats before it slows down: it has its pace for static looks."""
_E131, _ARTNET = int(Protocol.E131), int(Protocol.ARTNET)
FEW = 4
"""Streams up to which plain numbers cost less than a dozen operations on arrays."""


@dataclass(slots=True)
class Stops:
    """Of every stream row, at one moment. Shapes (S,)."""

    last_ns: NDArray[np.int64]
    """When its newest frame came; 0: none came yet."""
    due_ns: NDArray[np.int64]
    """When its next frame was due at the latest."""
    terminated: NDArray[np.bool_]
    """The source sent that it stops, after its last frame."""
    had_frames: NDArray[np.bool_]
    now_ns: int
    usual_ns: NDArray[np.int64]
    """Its last interval or its usual one."""

    def late_among(self, mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Those of a mask that are late for their usual interval: whether they still send is not known."""
        return self._silent_for(mask, self.usual_ns, 8)

    def overdue_among(self, mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Those of a mask that are silent for clearly longer than their next frame was due: they have stopped."""
        return self._silent_for(mask, self.due_ns - self.last_ns, 2)

    def _silent_for(self, mask: NDArray[np.bool_], most_ns: NDArray[np.int64], share: int) -> NDArray[np.bool_]:
        """Those of a mask that are silent for longer than this and a part of it more. Only their ages are compared."""
        found = np.zeros(len(mask), np.bool_)
        rows = (mask & self.had_frames).nonzero()[0]
        if len(rows):
            limit_ns = most_ns[rows]
            found[rows] = self.now_ns - self.last_ns[rows] > limit_ns + limit_ns // share + SLACK_NS
        return found


def measure_stops(ctx: RuleContext) -> Stops:
    """Measure every stream. Arrays of shape (S,), monotonic nanoseconds."""
    streams = ctx.streams
    last_ns = streams.last_arrival_ns
    owed_ns, usual_ns = _owed_by_few(streams) if streams.count <= FEW else _owed(streams)
    had_frames = streams.used & (last_ns > 0)
    return Stops(
        last_ns=last_ns,
        due_ns=last_ns + owed_ns,
        terminated=announced_ends(streams),
        had_frames=had_frames,
        now_ns=ctx.now_ns,
        usual_ns=usual_ns,
    )


def _owed(streams: StreamColumns) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """When after its last frame the next one of each stream was due at the latest, and its usual interval."""
    gap_ns = np.where(streams.prev_frame_ns > 0, streams.last_frame_ns - streams.prev_frame_ns, 0)
    pace_ns = np.maximum(2 * gap_ns, 2 * streams.median_interval_ns)
    keep_alive_ns = np.where(streams.protocol == int(Protocol.ARTNET), KEEP_ALIVE_ARTNET_NS, KEEP_ALIVE_E131_NS)
    moving_e131 = (streams.protocol == int(Protocol.E131)) & (streams.equal_frames < 2)
    owed_ns = np.where(
        streams.equal_frames > RESTING_FRAMES, pace_ns, np.where(moving_e131, 3 * pace_ns // 2, keep_alive_ns)
    )
    owed_ns = np.minimum(np.maximum(np.maximum(owed_ns, gap_ns), SHORTEST_NS), LONGEST_NS)
    # At rest the last interval is that of keep-alive; before it moved, so that the next may be one.
    usual_ns = np.maximum(gap_ns, np.where(streams.equal_frames < 2, streams.median_interval_ns, keep_alive_ns))
    return owed_ns, usual_ns


def _owed_by_few(streams: StreamColumns) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The same in plain numbers."""
    owed, usual = list[int](), list[int]()
    for prev_ns, last_ns, median_ns, protocol, equal_frames in zip(
        streams.prev_frame_ns.tolist(),
        streams.last_frame_ns.tolist(),
        streams.median_interval_ns.tolist(),
        streams.protocol.tolist(),
        streams.equal_frames.tolist(),
        strict=True,
    ):
        gap_ns = last_ns - prev_ns if prev_ns > 0 else 0
        pace_ns = max(2 * gap_ns, 2 * median_ns)
        keep_alive_ns = KEEP_ALIVE_ARTNET_NS if protocol == _ARTNET else KEEP_ALIVE_E131_NS
        if equal_frames > RESTING_FRAMES:
            owed_ns = pace_ns
        else:
            is_moving = protocol == _E131 and equal_frames < 2
            owed_ns = 3 * pace_ns // 2 if is_moving else keep_alive_ns
        owed.append(min(max(owed_ns, gap_ns, SHORTEST_NS), LONGEST_NS))
        usual.append(max(gap_ns, median_ns if equal_frames < 2 else keep_alive_ns))
    return np.array(owed, np.int64), np.array(usual, np.int64)
