"""The model as the columns of a snapshot: rows in the order they are shown, row numbers made to fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.model import cadence
from slotwatch.model.announced_ends import announced_ends
from slotwatch.model.control import gives_slot_priorities, in_control
from slotwatch.model.counters import INTERVAL_EDGES_S
from slotwatch.model.minutes import lost_frames
from slotwatch.model.model import Model
from slotwatch.model.windows import BUCKET_NS
from slotwatch.snapshot import SourceRow
from slotwatch.snapshot.columns import STREAM_COLUMNS, UNIVERSE_COLUMNS, Columns
from slotwatch.snapshot.counters import Counters
from slotwatch.snapshot.slot_owners import SlotOwners
from slotwatch.wire.reject import Odd
from slotwatch.wire.universe import Protocol

FRESH_STREAMS = 512
"""Streams whose percentiles are worked out again for one report; the others' are at most 2 s old."""
FEW_FRAMES = 50
"""A window with fewer frames would say its rate too coarsely."""
LIVE, SILENT, TERMINATED, PREVIEW_ONLY = range(4)


@dataclass(slots=True)
class Report:
    """What `snapshot.Snapshot` takes from the model."""

    universes: Columns
    universe_names: tuple[str, ...]
    universe_labels: tuple[str, ...]
    streams: Columns
    sources: tuple[SourceRow, ...]
    levels: NDArray[np.uint8]
    slot_owners: SlotOwners
    interval_bins: NDArray[np.uint16]
    """(streams, bins) how many of the kept intervals lie between the edges of `cadence.BIN_EDGES_MS`."""


class Reporter:
    """Makes reports of one model; keeps the names, which are costly and seldom change."""

    def __init__(self, model: Model) -> None:
        self._model = model
        self._revision = -1
        self._rows: NDArray[np.intp] = np.empty(0, np.intp)
        self._names: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())

    def report(self, states: NDArray[np.uint8]) -> Report:
        """Copy the model into columns. states: (U,) UniverseState by universe row."""
        universes = self._model.universes
        if self._revision != universes.revision:
            self._revision = universes.revision
            self._rows = universes.in_order()
            self._names = _names(self._model, self._rows)
        return _report(self._model, states, self._rows, self._names)


def _report(
    model: Model,
    states: NDArray[np.uint8],
    universe_rows: NDArray[np.intp],
    names_and_labels: tuple[tuple[str, ...], tuple[str, ...]],
) -> Report:
    streams, universes = model.streams, model.universes
    stream_rows, source_rows = streams.rows(), model.sources.rows()
    stream_place = _places(stream_rows, streams.capacity)
    universe_place = _places(universe_rows, universes.capacity)
    source_place = _places(source_rows, model.sources.capacity)
    _freshen(model, stream_rows)
    levels, slot_owners = model.winner_levels(universe_rows)
    if len(stream_rows) != streams.top:
        slot_owners = slot_owners.numbered(stream_place)
    names, labels = names_and_labels
    return Report(
        universes=_universe_columns(model, universe_rows, states, stream_place),
        universe_names=names,
        universe_labels=labels,
        streams=_stream_columns(model, stream_rows, universe_place, source_place),
        sources=tuple(model.sources[row] for row in source_rows.tolist()),
        levels=levels,
        slot_owners=slot_owners,
        interval_bins=streams.interval_bins[stream_rows],
    )


def _places(rows: NDArray[np.intp], capacity: int) -> NDArray[np.int32]:
    """Return the place of each table row in the report; -1 for rows that are not in it, and at -1 itself."""
    places = np.full(capacity + 1, -1, np.int32)
    places[rows] = np.arange(len(rows))
    return places


def _freshen(model: Model, stream_rows: NDArray[np.intp]) -> None:
    """Work out the percentiles that are behind and still move much: of a stream that has just begun. The others
    come round in 2 s by themselves, and so do all but those never known where they are many."""
    streams = model.streams
    known = streams.interval_known[stream_rows]
    rows = stream_rows[(streams.interval_count[stream_rows] > known) & (known < cadence.INTERVALS)]
    if len(rows) > FRESH_STREAMS:
        rows = rows[streams.interval_known[rows] == 0][:FRESH_STREAMS]
    model.percentiles(rows)


def _names(model: Model, rows: NDArray[np.intp]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    universes, house = model.universes, model.house
    several = len(house.networks) > 1
    names = tuple(universes.written(row, several) for row in rows.tolist())
    declared = universes.declared[rows].tolist()
    labels = tuple(house.universes[index].label if 0 <= index < len(house.universes) else "" for index in declared)
    return names, labels


def refresh_hz(model: Model, rows: NDArray[np.intp], frames: NDArray[np.uint32], window_s: int) -> NDArray[np.float32]:
    """Mean rate over a window, or over the stream's life while that is shorter; NaN without two frames.

    A window of few frames is measured between them: 2 frames a second are 2.0 Hz, wherever the window begins.
    """
    streams = model.streams
    # Windows end with the last whole bucket.
    end_ns = model.now_ns - model.now_ns % BUCKET_NS
    span_s = np.clip((end_ns - streams.since_ns[rows]) / 1e9, 1e-3, window_s)
    rate = np.where(frames > 0, frames / span_s, 0.0)
    one_life = streams.prev_frame_ns[rows] >= streams.since_ns[rows]
    interval = streams.last_frame_ns[rows] - streams.prev_frame_ns[rows]
    young = (streams.frames[rows] < 2) | (span_s < 0.5)
    guess = np.where(one_life & (interval > 0), 1e9 / np.maximum(interval, 1), np.nan)
    rates: NDArray[np.float32] = np.where(young, guess, rate).astype(np.float32)
    few = np.flatnonzero(~young & one_life & (frames >= 2) & (frames < FEW_FRAMES))
    if len(few):
        rates[few] = _rates_between(model, rows[few], frames[few].astype(np.int64) - 1, rate[few])
    return rates


def _rates_between(
    model: Model, rows: NDArray[np.intp], intervals: NDArray[np.int64], counted_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Rate by the mean of the newest intervals; as counted where the stream fell silent since."""
    streams = model.streams
    count = streams.interval_count[rows].astype(np.int64)
    intervals = np.minimum(intervals, count)
    back = np.arange(int(intervals.max()), dtype=np.int32)
    # In 32 bits, and from the column as it lies: of a full house this is half of a report.
    newest = ((count - 1) % cadence.INTERVALS).astype(np.int32)
    places = newest[:, None] - back
    places[places < 0] += np.int32(cadence.INTERVALS)
    places += (rows * cadence.INTERVALS).astype(np.int32)[:, None]
    kept = streams.intervals_us.reshape(-1).take(places)
    kept *= back < intervals.astype(np.int32)[:, None]
    mean_us = kept.sum(1) / np.maximum(intervals, 1)
    silent_us = (model.now_ns - streams.last_frame_ns[rows]) / 1000
    steady = (intervals > 0) & (mean_us > 0) & (silent_us <= 2 * mean_us)
    rates: NDArray[np.float64] = np.where(steady, 1e6 / np.maximum(mean_us, 1), counted_hz)
    return rates


def _universe_columns(
    model: Model,
    rows: NDArray[np.intp],
    states: NDArray[np.uint8],
    stream_place: NDArray[np.int32],
) -> Columns:
    universes, streams = model.universes, model.streams
    winner = in_control(streams, rows)
    won = winner >= 0
    columns: Columns = {}
    for name, dtype in UNIVERSE_COLUMNS:
        columns[name] = np.zeros(len(rows), dtype)
    for name in ("network", "protocol", "number", "expected", "frames", "slots"):
        columns[name][:] = getattr(universes, name)[rows]
    for name in ("last_frame_ns", "last_change_ns", "first_frame_ns"):
        columns[name][:] = getattr(universes, name)[rows]
    columns["declared"][:] = universes.declared[rows] >= 0
    columns["state"][:] = states[rows]
    columns["streams"][:] = universes.live[rows]
    columns["lost_frames"][:] = lost_frames(model)[rows]
    columns["winning_stream"][:] = stream_place[winner]
    columns["refresh_hz"][:] = np.nan
    columns["refresh_hz"][won] = refresh_hz(model, winner[won], streams.frames_5s[winner[won]], 5)
    columns["priority"][won] = streams.priority[winner[won]]
    for name in ("interval_p50_ms", "interval_p95_ms", "interval_p99_ms", "interval_max_ms"):
        columns[name][:] = np.nan
        columns[name][won] = _known(model, winner[won], name)
    return columns


def _stream_columns(
    model: Model, rows: NDArray[np.intp], universe_place: NDArray[np.int32], source_place: NDArray[np.int32]
) -> Columns:
    streams = model.streams
    columns: Columns = {}
    for name, dtype in STREAM_COLUMNS:
        column = streams.__dict__.get(name)
        columns[name] = np.zeros(len(rows), dtype) if column is None else column[rows].astype(dtype)
    columns["universe_row"][:] = universe_place[streams.universe[rows]]
    columns["source"][:] = source_place[streams.source[rows]]
    columns["slot_priority"][:] = gives_slot_priorities(streams, rows)
    columns["state"][:] = _stream_states(model, rows)
    columns["joined"][:] = model.universes.joined[streams.universe[rows]]
    columns["changes_hz"][:] = streams.changed_5s[rows] / np.float32(5)
    for window_s in (1, 5, 10):
        frames = getattr(streams, f"frames_{window_s}s")[rows]
        columns[f"refresh_{window_s}s_hz"][:] = refresh_hz(model, rows, frames, window_s)
    for name in ("interval_p50_ms", "interval_p95_ms", "interval_p99_ms", "interval_max_ms"):
        columns[name][:] = _known(model, rows, name)
    return columns


def _known(model: Model, rows: NDArray[np.intp], name: str) -> NDArray[np.float32]:
    streams = model.streams
    known: NDArray[np.float32] = np.where(streams.interval_known[rows] > 0, getattr(streams, name)[rows], np.nan)
    return known


def _stream_states(model: Model, rows: NDArray[np.intp]) -> NDArray[np.uint8]:
    streams = model.streams
    states = np.full(len(rows), SILENT, np.uint8)
    never = streams.last_arrival_ns[rows] == 0
    states[never & (streams.last_preview_ns[rows] > 0)] = PREVIEW_ONLY
    states[~streams.live[rows] & announced_ends(streams)[rows]] = TERMINATED
    states[streams.live[rows]] = LIVE
    return states


def counters(model: Model, incidents_opened: Mapping[str, int]) -> Counters:
    """Return the counts for metrics. Protocols and reasons by their words; incidents by rule."""
    counts = model.counters
    words = {int(protocol): protocol.word for protocol in Protocol}
    return Counters(
        packets={word: int(counts.packets[protocol]) for protocol, word in words.items()},
        rejected={
            (words[protocol], reason): count
            for (protocol, reason), count in counts.rejected_by_reason().items()
            if protocol in words
        },
        odd={Odd(flag).words[0]: count for flag, count in counts.odd.items()},
        start_codes={int(code): int(counts.start_codes[code]) for code in np.flatnonzero(counts.start_codes)},
        evictions={"streams": 0, "sources": 0, "syncs": 0, "nodes": 0, "offenders": 0} | dict(model.evictions),
        unkept=dict(model.unkept),
        interval_edges_s=tuple(INTERVAL_EDGES_S),
        intervals={word: tuple(counts.intervals[protocol].tolist()) for protocol, word in words.items()},
        interval_sum_s={word: float(counts.interval_sum_s[protocol]) for protocol, word in words.items()},
        incidents_opened=dict(incidents_opened),
    )
