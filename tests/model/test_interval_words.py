"""Figures of intervals by C are the same as by numpy, which is the reference."""

from __future__ import annotations

import numpy as np
import pytest

from slotwatch.edge.shared.compiled import load_intervals
from slotwatch.house.schema import House
from slotwatch.model import cadence, minute_intervals
from slotwatch.model.sources import Sources
from slotwatch.model.streams import Streams
from slotwatch.model.universes import Universes
from tests.compiling import Built

ROWS = 60
COLUMNS = (*cadence.COLUMNS, *minute_intervals.COLUMNS, ("median_interval_ns", "<i8"))


def table() -> Streams:
    made = Streams(Universes(House()), Sources(House()), 0)
    for _ in range(ROWS):
        made.add()
    return made


def intervals_us(chance: np.random.Generator, count: int) -> np.ndarray:
    """Of a usual rate, of pauses that fill a minute, of any length that is kept, and edges of bins."""
    kind = int(chance.integers(0, 4))
    if kind == 0:
        return chance.normal(22_700, 900, count).astype(np.uint32)
    if kind == 1:
        return chance.integers(50_000, 3_000_000, count).astype(np.uint32)
    if kind == 2:
        return chance.integers(0, 3_600_000_001, count).astype(np.uint32)
    edges = np.array([each * 1000 + off for each in cadence.BIN_EDGES_MS for off in (-1, 0, 1)], np.uint32)
    return chance.choice(edges, count)


@pytest.mark.parametrize("seed", range(8))
def test_compiled_figures_are_those_of_numpy(built: Built, seed: int) -> None:
    """Few intervals, more than are kept, none, and none that are new; each time some of the rows."""
    compiled = built(load_intervals)
    chance = np.random.default_rng(seed)
    reference, fast = table(), table()
    slow = 0
    for _ in range(30):
        if chance.random() < 0.1:
            for each in (reference, fast):
                minute_intervals.begin_minute(each)
        for row in np.flatnonzero(chance.random(ROWS) < 0.6).tolist():
            new = intervals_us(chance, int(chance.integers(1, 700)))
            for each in (reference, fast):
                place = (int(each.interval_count[row]) + np.arange(len(new))) % cadence.INTERVALS
                each.intervals_us[row, place] = new  # of two for one place the later stays
                each.interval_count[row] += len(new)
        rows = np.flatnonzero(chance.random(ROWS) < 0.5)
        for each, how in ((reference, None), (fast, compiled)):
            cadence.work_out_percentiles(each, rows, how)
            minute_intervals.take_new(each, rows, how)
        slow += int((fast.intervals_us[rows].sum(axis=1, dtype=np.int64) > cadence.MEDIAN_WINDOW_NS // 1000).sum())
        for name, *_ in COLUMNS:
            assert np.array_equal(getattr(reference, name), getattr(fast, name)), name
    assert slow > 20, "medians of the last minute alone were asked for"
    assert fast.minute_bins.any()
