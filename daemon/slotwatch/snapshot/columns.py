"""Columns of the two arrays of rows in a snapshot: universes and streams."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Columns = dict[str, NDArray[np.generic]]  # so that 4,096 universes cost a copy and not a loop

UNIVERSE_COLUMNS: tuple[tuple[str, str], ...] = (
    ("network", "<u2"),
    ("protocol", "u1"),
    ("number", "<u2"),
    ("declared", "?"),
    ("expected", "?"),
    ("state", "u1"),  # UniverseState
    ("refresh_hz", "<f4"),  # winning stream's mean over 5 s; NaN without frames
    ("interval_p50_ms", "<f4"),
    ("interval_p95_ms", "<f4"),
    ("interval_p99_ms", "<f4"),
    ("interval_max_ms", "<f4"),
    ("frames", "<u8"),
    ("lost_frames", "<u8"),
    ("slots", "<u2"),
    ("priority", "u1"),
    ("winning_stream", "<i4"),  # row of `streams`, -1 for none
    ("streams", "<u2"),  # live streams
    ("last_frame_ns", "<i8"),  # monotonic, 0 for never
    ("last_change_ns", "<i8"),
    ("first_frame_ns", "<i8"),
)
"""Rows of Snapshot.universes: every declared universe on each of its networks (in the order of the file),
then every other that was heard, by protocol, number and network."""

STREAM_COLUMNS: tuple[tuple[str, str], ...] = (
    ("universe_row", "<i4"),
    ("source", "<i4"),  # index into Snapshot.sources
    ("network", "<u2"),
    ("state", "u1"),  # 0 live, 1 silent, 2 terminated, 3 preview only
    ("priority", "u1"),
    ("slots", "<u2"),
    ("options", "u1"),
    ("sync_address", "<u2"),
    ("sequence", "u1"),  # as last sent
    ("sequence_measurable", "?"),  # whether missing frames can be counted by it
    ("joined", "i1"),  # of its universe: 1 joined, 0 not asked for, -1 failed
    ("slot_priority", "?"),  # sends 0xDD
    ("refresh_1s_hz", "<f4"),
    ("refresh_5s_hz", "<f4"),
    ("refresh_10s_hz", "<f4"),
    ("changes_hz", "<f4"),  # frames whose levels changed, over 5 s
    ("interval_p50_ms", "<f4"),
    ("interval_p95_ms", "<f4"),
    ("interval_p99_ms", "<f4"),
    ("interval_max_ms", "<f4"),
    ("frames", "<u8"),
    ("lost_frames", "<u8"),
    ("discarded", "<u8"),  # by E1.31's sequence rule
    ("repeated", "<u8"),
    ("preview", "<u8"),
    ("first_frame_ns", "<i8"),
    ("last_frame_ns", "<i8"),
    ("last_change_ns", "<i8"),
)
