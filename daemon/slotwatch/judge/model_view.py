"""What rules may see of the model: the columns of its two tables by name and type, and its other parts.

`RuleContext` gives the tables with the rows in use; a test holds each column against the model's own.
`model.columns` explains the columns.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.counters import PacketCounters
from slotwatch.model.occasions import Occasions
from slotwatch.model.sources import Sources
from slotwatch.model.stage import Stage
from slotwatch.model.streams import Streams
from slotwatch.model.universes import Universes
from slotwatch.snapshot.slot_owners import SlotOwners


class StreamColumns(Protocol):
    """Columns of the stream table that rules read, each of shape (count,) unless it says otherwise."""

    count: int
    best_moving_hz: NDArray[np.float32]
    changes: NDArray[np.uint64]
    destination_kind: NDArray[np.uint8]
    destination_universe: NDArray[np.uint16]
    destinations: NDArray[np.uint8]
    destinations_ns: NDArray[np.int64]
    destinations_since_ns: NDArray[np.int64]
    equal_frames: NDArray[np.uint16]
    false_ends: NDArray[np.uint32]
    first_frame_ns: NDArray[np.int64]
    frames: NDArray[np.uint64]
    generation: NDArray[np.uint32]
    history_count: NDArray[np.uint64]
    history_hash: NDArray[np.uint64]  # shape (count, 16)
    history_ns: NDArray[np.int64]  # shape (count, 16)
    interval_count: NDArray[np.uint64]
    intervals_us: NDArray[np.uint32]  # shape (count, 512)
    interleaved: NDArray[np.uint8]
    interleaved_ns: NDArray[np.int64]
    interleaved_since_ns: NDArray[np.int64]
    timeout_ns: NDArray[np.int64]
    last_arrival_ns: NDArray[np.int64]
    last_change_ns: NDArray[np.int64]
    last_false_end_ns: NDArray[np.int64]
    strange_ends_since_ns: NDArray[np.int64]
    last_frame_ns: NDArray[np.int64]
    last_packet_ns: NDArray[np.int64]
    last_preview_ns: NDArray[np.int64]
    last_slot_priority_ns: NDArray[np.int64]
    last_stray_ns: NDArray[np.int64]
    last_terminated_ns: NDArray[np.int64]
    last_unfit_end_ns: NDArray[np.int64]
    last_wrong_group_ns: NDArray[np.int64]
    levels: NDArray[np.uint8]  # shape (count, 512)
    live: NDArray[np.bool_]
    lost_frames: NDArray[np.uint64]
    lost_ns: NDArray[np.int64]
    lost_of_last_10: NDArray[np.uint8]
    max_gap_10s_ns: NDArray[np.int64]
    max_step: NDArray[np.uint8]
    median_interval_ns: NDArray[np.int64]
    moving_known_s: NDArray[np.float32]
    network: NDArray[np.uint16]
    number: NDArray[np.uint16]
    options: NDArray[np.uint8]
    pause_end_ns: NDArray[np.int64]
    pauses: NDArray[np.uint16]
    pauses_began_ns: NDArray[np.int64]
    pauses_longest_us: NDArray[np.uint32]
    pauses_lost_before: NDArray[np.uint64]
    prev_frame_ns: NDArray[np.int64]
    priority: NDArray[np.uint8]
    protocol: NDArray[np.uint8]
    return_ns: NDArray[np.int64]
    return_step: NDArray[np.uint8]
    sequence: NDArray[np.uint8]
    sequence_measurable: NDArray[np.bool_]
    sequence_step: NDArray[np.uint8]
    sequence_stuck: NDArray[np.bool_]
    since_ns: NDArray[np.int64]
    slot_priorities: NDArray[np.uint8]  # shape (count, 512)
    slot_priority_slots: NDArray[np.uint16]
    slots: NDArray[np.uint16]
    slots_before: NDArray[np.uint16]
    slot_turn_ns: NDArray[np.int64]
    slot_turns: NDArray[np.uint16]
    source: NDArray[np.int32]
    sync_address: NDArray[np.uint16]
    terminated: NDArray[np.uint64]
    universe: NDArray[np.int32]
    used: NDArray[np.bool_]
    wrong_group: NDArray[np.uint16]


class UniverseColumns(Protocol):
    """Columns of the universe table that rules read, each of shape (count,)."""

    count: int
    declared: NDArray[np.int32]
    declared_ns: NDArray[np.int64]
    expected: NDArray[np.bool_]
    first_frame_ns: NDArray[np.int64]
    frames: NDArray[np.uint64]
    generation: NDArray[np.uint32]
    joined: NDArray[np.int8]
    left_ns: NDArray[np.int64]
    last_arrival_ns: NDArray[np.int64]
    last_change_ns: NDArray[np.int64]
    last_preview_ns: NDArray[np.int64]
    last_unkept_ns: NDArray[np.int64]
    live: NDArray[np.uint16]
    loss_timeout_ns: NDArray[np.int64]
    min_refresh_hz: NDArray[np.float32]
    network: NDArray[np.uint16]
    number: NDArray[np.uint16]
    protocol: NDArray[np.uint8]
    recent_hz: NDArray[np.float32]  # shape (count, 5), like the two below: finished minutes, newest last
    recent_minutes: NDArray[np.uint16]
    recent_missing_percent: NDArray[np.float32]
    recent_p99_ms: NDArray[np.float32]
    slots: NDArray[np.uint16]
    used: NDArray[np.bool_]
    winner: NDArray[np.int32]


class ModelView(Protocol):
    """The model as the judge sees it."""

    @property
    def revision(self) -> int: ...

    @property
    def streams(self) -> Streams: ...

    @property
    def universes(self) -> Universes: ...

    @property
    def sources(self) -> Sources: ...

    @property
    def occasions(self) -> Occasions: ...

    @property
    def counters(self) -> PacketCounters: ...

    @property
    def stage(self) -> Stage: ...

    @property
    def levels(self) -> NDArray[np.uint8]: ...

    @property
    def slot_owners(self) -> SlotOwners: ...

    def first_legs(self) -> dict[int, int]: ...

    def winner_levels(self, universe_rows: NDArray[np.intp]) -> tuple[NDArray[np.uint8], SlotOwners]: ...
