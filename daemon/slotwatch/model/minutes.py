"""One row for each universe and each whole minute of the wall clock, for the history."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import MINUTE_NS
from slotwatch.model import stream_minutes
from slotwatch.model.streams import LATEST_NS
from slotwatch.snapshot import UniverseState, worse_states
from slotwatch.snapshot.minutes import MinuteRow

if TYPE_CHECKING:
    from slotwatch.model.model import Model

KEPT_MINUTES = 3
"""Finished minutes that are still offered: a reader that comes every few seconds misses none."""

DELAYED_MINUTES = 1
"""A wall clock that is set back by no more keeps its minute until it has caught up. Set back further, it begins another
minute, whose number it may have had before."""


class Minutes:
    """Sums up every universe between turns of the minute."""

    def __init__(self, now_ns: int, wall_offset_ns: int) -> None:
        self._minute = (now_ns + wall_offset_ns) // MINUTE_NS
        self._began_ns = now_ns
        self._finished: list[tuple[MinuteRow, ...]] = []
        self._generation: NDArray[np.uint32] = np.zeros(0, np.uint32)
        self._frames: NDArray[np.uint64] = np.zeros(0, np.uint64)
        self._lost: NDArray[np.uint64] = np.zeros(0, np.uint64)
        self._worst: NDArray[np.uint8] = np.zeros(0, np.uint8)
        self._sources: NDArray[np.uint16] = np.zeros(0, np.uint16)
        self._unjudged_s: NDArray[np.float32] = np.zeros(0, np.float32)
        self._silent_ns: NDArray[np.int64] = np.zeros(0, np.int64)
        """Time of the last frame of each universe that is silent now; 0: it is not silent, or was never heard."""

    @property
    def finished(self) -> tuple[MinuteRow, ...]:
        """Rows of the last few finished minutes, oldest first."""
        return tuple(row for minute in self._finished for row in minute)

    def note(self, model: Model, states: NDArray[np.uint8], not_judged: NDArray[np.bool_], elapsed_s: float) -> None:
        """Keep the worst state and most sources of each universe row. Called at least once a second."""
        self._fit(model)
        top = model.universes.top
        # A universe counts as visible in the whole minute in which it is first heard.
        unknown = (self._worst[:top] == UniverseState.NOT_VISIBLE) & (model.universes.first_frame_ns[:top] > 0)
        self._worst[:top][unknown] = 0
        self._worst[:top] = worse_states(self._worst[:top], states[:top])
        self._sources[:top] = np.maximum(self._sources[:top], model.universes.live[:top])
        self._unjudged_s[:top] += np.where(not_judged[:top], np.float32(elapsed_s), np.float32(0))
        self._note_returns(model, top)

    def _note_returns(self, model: Model, top: int) -> None:
        """Count the silence before a return as a gap, as far as it lies within the minute: no stream counts it."""
        universes, streams = model.universes, model.streams
        live = universes.live[:top] > 0
        is_back = live & (self._silent_ns[:top] > 0)
        if np.count_nonzero(is_back):
            rows = streams.live[: streams.top].nonzero()[0]
            first_ns = np.full(universes.capacity, LATEST_NS)
            np.minimum.at(first_ns, streams.universe[rows], streams.since_ns[rows])
            back = (is_back & (first_ns[:top] < LATEST_NS)).nonzero()[0]
            gap_ns = first_ns[back] - np.maximum(self._silent_ns[back], self._began_ns)
            universes.minute_gap_ns[back] = np.maximum(universes.minute_gap_ns[back], gap_ns)
        self._silent_ns[:top] = np.where(live, 0, universes.last_frame_ns[:top])

    def turn(self, model: Model, now_ns: int, wall_offset_ns: int) -> bool:
        """Finish the minute if the wall clock's has turned."""
        minute = (now_ns + wall_offset_ns) // MINUTE_NS
        if self._minute - DELAYED_MINUTES <= minute <= self._minute:
            return False
        self._fit(model)
        self._note_returns(model, model.universes.top)
        self._finished = [*self._finished, self._rows(model, now_ns)][-KEPT_MINUTES:]
        self._minute, self._began_ns = minute, now_ns
        top = model.universes.top
        self._frames[:top], self._lost[:top] = model.universes.frames[:top], lost_frames(model)[:top]
        self._worst[:], self._sources[:], self._unjudged_s[:] = 0, 0, 0
        model.universes.minute_gap_ns[:] = 0
        return True

    def _rows(self, model: Model, now_ns: int) -> tuple[MinuteRow, ...]:
        universes = model.universes
        seconds = max((now_ns - self._began_ns) / 1e9, 1e-3)
        several = len(model.house.networks) > 1
        lost = lost_frames(model)
        streams = stream_minutes.finish(model, self._unjudged_s > 0)
        rows = []
        for row in universes.in_order().tolist():
            frames = int(universes.frames[row] - self._frames[row])
            since = max(int(universes.last_frame_ns[row]), self._began_ns)
            heard = universes.first_frame_ns[row] > 0
            silent_ns = now_ns - since if heard else 0
            rows.append(
                MinuteRow(
                    minute=self._minute,
                    universe=universes.written(row, several),
                    frames=frames,
                    refresh_hz=round(frames / seconds, 3),
                    worst_gap_ms=round(max(int(universes.minute_gap_ns[row]), silent_ns) / 1e6, 3),
                    lost_frames=max(0, int(lost[row]) - int(self._lost[row])),
                    sources=int(self._sources[row]),
                    state=int(self._worst[row]),
                    not_judged_s=round(float(self._unjudged_s[row]), 3),
                    streams=streams.get(row, ()),
                )
            )
        return tuple(rows)

    def _fit(self, model: Model) -> None:
        universes = model.universes
        more = universes.capacity - len(self._frames)
        if more > 0:
            for name in ("_generation", "_frames", "_lost", "_worst", "_sources", "_unjudged_s", "_silent_ns"):
                setattr(self, name, np.pad(getattr(self, name), (0, more)))
        reused = np.flatnonzero(self._generation != universes.generation)
        if len(reused):
            # A row that is used by another universe starts from nothing.
            self._frames[reused] = self._lost[reused] = 0
            self._worst[reused] = self._sources[reused] = self._unjudged_s[reused] = self._silent_ns[reused] = 0
            self._generation[reused] = universes.generation[reused]


def lost_frames(model: Model) -> NDArray[np.uint64]:
    """Frames missing by sequence of each universe row, all its streams together, (capacity,)."""
    streams = model.streams
    rows = streams.rows()
    lost = np.bincount(streams.universe[rows], streams.lost_frames[rows].astype(np.float64), model.universes.capacity)
    return lost.astype(np.uint64)
