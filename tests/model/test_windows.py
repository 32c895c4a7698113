"""Windows folded and turned by C hold the same as by numpy, which is the reference."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from slotwatch.edge.shared.compiled import Compiled, load
from slotwatch.house.schema import House
from slotwatch.model.sources import Sources
from slotwatch.model.streams import Streams
from slotwatch.model.universes import Universes
from slotwatch.model.windows import BUCKET_NS, COLUMNS, METRICS, SECOND, TOTALS
from tests.compiling import Built

FIRST_BUCKET = 7


def table(compiled: Compiled | None) -> Streams:
    return Streams(Universes(House()), Sources(House()), FIRST_BUCKET * BUCKET_NS, compiled)


def held(streams: Streams) -> dict[str, list[int]]:
    columns = {name: getattr(streams, name)[: streams.top].tolist() for name, _, _ in COLUMNS}
    columns |= {name: getattr(streams, name)[: streams.top].tolist() for name, _ in TOTALS}
    columns["max_gap_10s_ns"] = streams.max_gap_10s_ns[: streams.top].tolist()
    return columns


@pytest.mark.parametrize("seed", range(6))
def test_compiled_windows_hold_the_same_as_numpy(built: Built, seed: int) -> None:
    """Streams that come, growing tables, counts of every kind, some taken back, rows that are forgotten, pauses."""
    compiled = built(load)
    chance = np.random.default_rng(seed)
    both = table(None), table(compiled)
    did: Counter[str] = Counter()
    for turn in range(400):
        kind = chance.choice(["count", "count", "count", "gap", "add", "forget", "back", "rest"])
        did[kind] += 1
        rows = np.flatnonzero(chance.random(both[0].top) < 0.5)
        metric, counts = int(chance.integers(0, METRICS)), chance.integers(0, 90, len(rows), np.int16)
        gaps = chance.integers(0, 1 << 32, len(rows), np.uint32)
        back = int(chance.integers(1, 40))
        for streams in both:
            windows = streams.windows
            if kind == "add" and turn < 200:
                for _ in range(9):
                    streams.add()
                windows.fit()
            elif kind == "count":
                windows.add(metric, rows, counts)
            elif kind == "gap":
                windows.add_gap(rows, gaps)
            elif kind == "back" and len(rows):
                windows.fold()
                windows.take_back(metric, int(rows[0]), back)
            elif kind == "forget" and len(rows):
                windows.forget(int(rows[0]))
            elif kind == "rest":
                windows.fold()
                for _ in range(3 * SECOND):
                    windows.turn()
            windows.fold()
            windows.turn()
            windows.fold_gaps()
        expected, found = (held(streams) for streams in both)
        assert {name for name in expected if expected[name] != found[name]} == set(), (turn, kind)
        every = np.arange(both[0].top)
        new = [streams.windows.take_unreported(every).tolist() for streams in both]
        assert new[0] == new[1], (turn, kind)
    assert np.array_equal(both[0].windows.ring, both[1].windows.ring)
    assert both[0].top > 100
    assert both[0].frames.any()
    assert min(did.values()) > 10


@pytest.mark.parametrize("seed", range(4))
def test_no_sum_changes_before_the_bucket_that_is_named(seed: int) -> None:
    """Reference: the sums themselves, turned bucket by bucket."""
    chance = np.random.default_rng(seed)
    streams = table(None)
    windows = streams.windows
    for _ in range(3):
        streams.add()
    named = changes = 0
    bucket = FIRST_BUCKET
    for _ in range(60):
        for metric in chance.choice(METRICS, 2):
            windows.add(int(metric), np.array([chance.integers(0, 3)]), np.array([1], np.int16))
        metrics = tuple(chance.choice(METRICS, chance.integers(1, 3), replace=False).tolist())
        length = int(chance.choice([1, 10, 30, 50, 100]))
        windows.fold()
        before, change = windows.sums(metrics, length).tolist(), windows.next_change(metrics, length)
        named += change < bucket + 200
        for _ in range(int(chance.integers(1, 60))):
            windows.fold()
            windows.turn()
            bucket += 1
            if windows.sums(metrics, length).tolist() != before:
                assert change <= bucket
                changes += 1
                break
    assert named > 10 and changes > 10


@pytest.mark.parametrize("buckets", [1, 30, 50, 100])
@pytest.mark.parametrize("metric", range(METRICS))
def test_a_count_is_held_until_its_window_has_left_it(metric: int, buckets: int) -> None:
    """Reference: the sums themselves, turned bucket by bucket."""
    streams = table(None)
    windows = streams.windows
    streams.add()
    assert not windows.hold_any(metric, buckets)
    windows.add(metric, np.array([0]), np.array([2], np.int16))
    held, sums = [windows.hold_any(metric, buckets)], [0]
    for _ in range(buckets + 2):
        windows.fold()
        windows.turn()
        held.append(windows.hold_any(metric, buckets))
        sums.append(int(windows.sums((metric,), buckets)[0]))
    assert held == [True] * (buckets + 1) + [False] * 2
    assert sums == [0] + [2] * buckets + [0] * 2
