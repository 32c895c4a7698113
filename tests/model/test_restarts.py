"""A silence and a jump of numbers after it: lost on the way, or never sent because the source was restarted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

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
    """Numbers go on as if nothing had happened: 79 frames fit into 2 s at 40 Hz (E1.31 6.2.5)."""
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
