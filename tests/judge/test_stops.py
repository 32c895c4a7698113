"""When a stream stopped is the same however many streams are measured beside it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from slotwatch.judge.context import RuleContext
from slotwatch.judge.stops import FEW, Stops, measure_stops
from slotwatch.wire.universe import Protocol

MS = 1_000_000
Row = tuple[int, int, int, int, int, bool]
"""Frame before the last, last frame, median interval (ns), protocol, equal frames, whether it ended cleanly."""


def measured(rows: list[Row]) -> Stops:
    previous, last, median, protocol, equal, ended = (np.array(column) for column in zip(*rows, strict=True))
    streams = SimpleNamespace(
        count=len(rows),
        used=np.ones(len(rows), np.bool_),
        prev_frame_ns=previous.astype(np.int64),
        last_frame_ns=last.astype(np.int64),
        last_arrival_ns=last.astype(np.int64),
        last_terminated_ns=np.where(ended, last, 0).astype(np.int64),
        last_unfit_end_ns=np.zeros(len(rows), np.int64),
        last_false_end_ns=np.zeros(len(rows), np.int64),
        strange_ends_since_ns=np.zeros(len(rows), np.int64),
        since_ns=np.ones(len(rows), np.int64),
        source=np.zeros(len(rows), np.int32),
        median_interval_ns=median.astype(np.int64),
        protocol=protocol.astype(np.uint8),
        equal_frames=equal.astype(np.uint16),
    )
    return measure_stops(cast(RuleContext, SimpleNamespace(streams=streams, now_ns=10**12)))


@st.composite
def streams(draw: st.DrawFn) -> Row:
    last_ns = draw(st.integers(0, 10**12))
    return (
        draw(st.one_of(st.just(0), st.integers(0, last_ns))),
        last_ns,
        draw(st.integers(0, 10**10)),
        draw(st.sampled_from([int(Protocol.E131), int(Protocol.ARTNET), int(Protocol.LINE)])),
        draw(st.integers(0, 9)),
        draw(st.booleans()),
    )


@given(st.lists(streams(), min_size=1, max_size=FEW))
def test_few_streams_are_measured_like_many(few: list[Row]) -> None:
    alone, among = measured(few), measured(few * (FEW + 1))
    for name in ("last_ns", "due_ns", "usual_ns", "terminated", "had_frames"):
        ours, theirs = getattr(alone, name), getattr(among, name)
        assert ours.dtype == theirs.dtype
        assert ours.tolist() == theirs[: len(few)].tolist(), name


@pytest.mark.parametrize("beside", [0, FEW])
@pytest.mark.parametrize(
    ("row", "owed_ms"),
    [
        # At rest three equal frames are followed by one each 800 to 1000 ms: ANSI E1.31-2018 6.6.2.
        ((960 * MS, 1000 * MS, 40 * MS, 1, 3, False), 1050),
        # One that moves owes the next frame after its pace; half a pace more: common practice, no source.
        ((960 * MS, 1000 * MS, 40 * MS, 1, 0, False), 120),
    ],
)
def test_when_the_next_frame_is_due(row: Row, owed_ms: int, beside: int) -> None:
    stops = measured([row] * (1 + beside))
    assert (stops.due_ns - stops.last_ns).tolist() == [owed_ms * MS] * (1 + beside)
