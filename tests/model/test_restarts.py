"""A silence and a jump of numbers after it: lost on the way, or never sent because the source was restarted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slotwatch.model import windows
from tests.model.packets import MS, START, Bench, frames

EVERY = 25 * MS


def lost(jumps: Sequence[int], silence_ms: int = 2000) -> list[int]:
    """Frames counted as lost on each universe: 20 s at 40 Hz, then each jumps by its own number over one silence."""
    bench = Bench()
    sent = []
    for place, jump in enumerate(jumps):
        back_ns = START + 799 * EVERY + silence_ms * MS
        sent += frames(800, universe=place + 1)
        sent += frames(200, start_ns=back_ns, first_sequence=799 + jump, universe=place + 1)
    bench.feed(sorted(sent, key=lambda one: one.t_ns))
    bench.model.advance(START + 30_000 * MS)
    return [int(bench.model.streams.lost_frames[bench.stream(place + 1)]) for place in range(len(jumps))]


def test_what_fits_into_the_silence_is_lost() -> None:
    """Numbers continue as if nothing had happened: 79 frames fit into 2 s at 40 Hz (E1.31 6.2.5)."""
    assert lost([80]) == [79]


@pytest.mark.parametrize("jump", [126, 110, 200, 250])
def test_more_than_fits_is_a_restart(jump: int) -> None:
    assert lost([jump]) == [0]


def test_far_fewer_than_a_moving_stream_would_have_sent_is_no_loss() -> None:
    assert lost([30]) == [0]


def test_one_impossible_jump_clears_all_streams_of_its_source() -> None:
    assert lost([80, 120, 75]) == [0, 0, 0]


def test_a_source_that_pauses_lost_nothing() -> None:
    assert lost([1, 1]) == [0, 0]


@pytest.mark.parametrize(("jump", "counted"), [(40, 0), (3, 2)])
def test_a_source_at_rest_owed_few_frames(jump: int, counted: int) -> None:
    """E1.31 6.6.2: at rest a frame comes every 0.8 to 1 s, whatever its rate was while levels moved."""
    bench = Bench()
    rest_ns = START + 800 * EVERY
    bench.feed(frames(800))
    for place in range(8):
        bench.feed(frames(1, start_ns=rest_ns + place * 900 * MS, first_sequence=800 + place))
    back_ns = rest_ns + 7 * 900 * MS + 1500 * MS
    bench.feed(frames(40, start_ns=back_ns, first_sequence=807 + jump))
    bench.model.advance(back_ns + 2_000 * MS)
    assert int(bench.model.streams.lost_frames[bench.stream(1)]) == counted


@pytest.mark.parametrize(("heard", "counted"), [(1, 14), (2, 0), (3, 0)])
def test_a_source_that_was_only_ever_heard_at_rest_owed_few_frames(heard: int, counted: int) -> None:
    """As above, where this program was started a moment before. One frame alone does not show that it rests."""
    bench, back_ns = Bench(), START + (heard - 1) * 900 * MS + 1300 * MS
    for place in range(heard):
        bench.feed(frames(1, start_ns=START + place * 900 * MS, first_sequence=place))
    bench.feed(frames(40, start_ns=back_ns, first_sequence=heard - 1 + 15))
    bench.model.advance(back_ns + 2_000 * MS)
    assert int(bench.model.streams.lost_frames[bench.stream(1)]) == counted


@pytest.mark.parametrize(("changes", "counted"), [(False, 0), (True, 35)])
def test_a_universe_that_rests_in_the_same_look_before_and_after_shows_the_restart_of_all(
    changes: bool, counted: int
) -> None:
    """E1.31 6.6.2: of a universe at rest no 35 frames came due in 0.9 s. With other levels after it they may have."""
    bench, rest_ns = Bench(), START + 800 * EVERY

    def same(index: int) -> int:
        return 799 * 5 % 256

    resting = frames(800, universe=2)
    for place in range(8):
        at_ns = rest_ns + place * 900 * MS
        resting += frames(1, start_ns=at_ns, first_sequence=800 + place, universe=2, level_of=same)
    last_ns = rest_ns + 7 * 900 * MS
    count = (last_ns - START) // EVERY
    moving = frames(count, universe=1)
    back_ns = START + (count - 1) * EVERY + 900 * MS
    moving += frames(200, start_ns=back_ns, first_sequence=count + 35, universe=1)
    resting += frames(40, start_ns=back_ns, first_sequence=807 + 36, universe=2, level_of=None if changes else same)
    bench.feed(sorted(moving + resting, key=lambda one: one.t_ns))
    bench.model.advance(back_ns + 2_000 * MS)
    assert int(bench.model.streams.lost_frames[bench.stream(1)]) == counted


@pytest.mark.parametrize(("other", "counted"), [(72, [0, 0]), (80, [79, 79])])
def test_two_networks_that_miss_the_very_same_frames_lost_nothing_unless_they_lost_all(
    other: int, counted: list[int]
) -> None:
    """One way loses 71 of 79 frames by chance; two ways do not lose the same 71."""
    bench = Bench()
    sent = []
    for network in (0, 1):
        back_ns = START + 799 * EVERY + 2000 * MS
        legs = frames(800) + frames(200, start_ns=back_ns, first_sequence=799 + other)
        sent += [replace(one, network=network, src=f"10.{network}.0.1") for one in legs]
    bench.feed(sorted(sent, key=lambda one: one.t_ns))
    bench.model.advance(START + 30_000 * MS)
    streams = bench.model.streams
    assert [int(streams.lost_frames[row]) for row in streams.rows().tolist()] == counted


BUCKET_NS = 100 * MS
counted = st.lists(st.tuples(st.integers(0, 130), st.integers(0, 3), st.integers(1, 9)), max_size=30)


@given(counted, st.lists(st.integers(0, 60), min_size=4, max_size=4))
@settings(max_examples=60, deadline=None)
def test_counts_go_back_out_of_the_newest_buckets_first(added: list[tuple[int, int, int]], wanted: list[int]) -> None:
    """Against a list of single counts, newest first; ten seconds are kept."""
    bench = Bench()
    bench.feed([one for universe in range(1, 5) for one in frames(2, universe=universe)])
    streams = bench.model.streams
    rows = np.array([bench.stream(universe) for universe in range(1, 5)])
    kept: list[list[int]] = [[], [], [], []]
    for bucket in range(131):
        for _, which, count in (one for one in added if one[0] == bucket):
            streams.windows.add(windows.LOST, rows[which : which + 1], np.int16(count))
            kept[which] += [bucket] * count
        bench.model.advance(START + (bucket + 1) * BUCKET_NS)
    kept = [[bucket for bucket in one if bucket > 130 - 100] for one in kept]
    before = streams.lost_10s[rows].tolist()
    assert before == [len(one) for one in kept]
    held = streams.windows.take_back_each(windows.LOST, rows, np.array(wanted)).tolist()
    assert held == [min(len(one), count) for one, count in zip(kept, wanted, strict=True)]
    left = [sorted(one)[: len(one) - count] for one, count in zip(kept, held, strict=True)]
    assert streams.lost_10s[rows].tolist() == [len(one) for one in left]
    for buckets in (10, 50):
        recent = streams.windows.sums((windows.LOST,), buckets)[rows].tolist()
        assert recent == [sum(bucket > 130 - buckets for bucket in one) for one in left]
