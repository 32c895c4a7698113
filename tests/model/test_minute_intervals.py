"""Intervals of whole minutes: percentiles against numpy's, pauses left out, the longest gap, and who is in control."""

from __future__ import annotations

import numpy as np
import pytest

from slotwatch.model import minute_intervals, stream_minutes
from slotwatch.snapshot.minutes import StreamMinute
from tests.model.packets import MS, SECOND, START, Bench, Sent, cid, e131

BIN_WIDTH = 1 / 32
"""Of the value: bins are 32 to an octave."""


def minute_of(bench: Bench, end_ns: int, universe: int = 0) -> tuple[StreamMinute, ...]:
    bench.model.advance(end_ns)
    none = np.zeros(bench.model.universes.top, np.bool_)
    return stream_minutes.finish(bench.model, none).get(universe, ())


def feed(bench: Bench, times_ms: list[float], *, still: bool = False, **options: object) -> None:
    """A frame at each time, advancing every second as the engine does. `still`: all levels stay as they are."""
    second: list[Sent] = []
    due = START + SECOND
    for number, t_ms in enumerate(times_ms):
        t_ns = START + round(t_ms * MS)
        while t_ns >= due:
            bench.feed(second)
            bench.model.advance(due)
            second, due = [], due + SECOND
        level = 0 if still else number % 256
        second.append(Sent(t_ns, e131(bytes((level,)) * 512, sequence=number % 256, **options)))  # type: ignore[arg-type]
    bench.feed(second)


def test_percentiles_are_those_of_the_whole_minute() -> None:
    """Against numpy's percentile over all 2,600 intervals, five times what a stream's own ring keeps."""
    intervals_ms = np.random.default_rng(7).gamma(9, 2.5, 2600)
    bench = Bench()
    feed(bench, [0.0, *np.cumsum(intervals_ms).tolist()])
    (found,) = minute_of(bench, START + 60 * SECOND)
    assert found.intervals == len(intervals_ms)
    assert found.moving_hz == pytest.approx(1000 / intervals_ms.mean(), rel=0.001)
    for share, value in ((50, found.p50_ms), (95, found.p95_ms), (99, found.p99_ms)):
        assert value == pytest.approx(np.percentile(intervals_ms, share), rel=BIN_WIDTH)
    assert found.longest_ms == pytest.approx(intervals_ms.max(), abs=0.06)


def test_pauses_of_a_static_look_are_left_out_and_gaps_are_not() -> None:
    """E1.31 6.6.2: what does not change may come once a second, after three equal frames."""
    moving = [25.0 * number for number in range(400)]
    gap = [moving[-1] + 250.0 + 25.0 * number for number in range(400)]
    bench = Bench()
    feed(bench, moving + gap)
    rest = [gap[-1] + 25.0 * number for number in range(1, 4)] + [gap[-1] + 75 + 1000 * n for n in range(1, 20)]
    sent = [Sent(START + round(t * MS), e131(bytes((143,)) * 512, sequence=n % 256)) for n, t in enumerate(rest, 32)]
    bench.feed(sent)
    (found,) = minute_of(bench, START + 45 * SECOND)
    # 799 intervals and the three equal frames that begin the rest.
    assert (found.intervals, found.longest_ms) == (802, 250.0)
    assert found.p99_ms == pytest.approx(25.0, rel=BIN_WIDTH)


def test_a_source_that_is_idle_all_minute_has_no_pace() -> None:
    bench = Bench()
    feed(bench, [1000.0 * number for number in range(55)], still=True)
    assert minute_of(bench, START + 60 * SECOND) == ()


def test_each_minute_begins_from_nothing() -> None:
    bench = Bench()
    feed(bench, [25.0 * number for number in range(400)])
    (first,) = minute_of(bench, START + 11 * SECOND)
    bench.feed([Sent(START + 11 * SECOND + n * 50 * MS, e131(bytes((n,)) * 512, sequence=n)) for n in range(1, 100)])
    (second,) = minute_of(bench, START + 17 * SECOND)
    assert (first.frames, first.lost_frames, second.frames) == (400, 0, 99)
    assert (first.intervals, second.intervals) == (399, 99)
    assert second.p50_ms == pytest.approx(50.0, rel=BIN_WIDTH)


def test_the_source_in_control_comes_first_however_little_it_sends() -> None:
    bench = Bench()
    for number in range(300):
        t_ns = START + number * 25 * MS
        sent = [Sent(t_ns, e131(bytes((number % 256,)) * 512, sequence=number % 256, priority=90, source=cid(2)))]
        if number % 2:
            sent.append(Sent(t_ns + MS, e131(bytes((number % 256,)) * 512, sequence=number // 2 % 256, source=cid(1))))
        bench.feed(sent)
    found = minute_of(bench, START + 8 * SECOND)
    assert [(one.rank, one.source[-4:], one.frames) for one in found] == [(0, "0001", 150), (1, "0002", 300)]


def test_five_minutes_are_kept_of_who_is_in_control() -> None:
    bench = Bench()
    for minute in range(7):
        begin = START + minute * 60 * SECOND
        frames = [
            Sent(begin + n * (20 + minute) * MS, e131(bytes((n % 256,)) * 512, sequence=n % 256)) for n in range(60)
        ]
        bench.feed(frames)
        bench.model.advance(begin + 2 * SECOND)
        stream_minutes.finish(bench.model, np.zeros(bench.model.universes.top, np.bool_))
    universes = bench.model.universes
    assert universes.recent_minutes[0] == 7
    assert universes.recent_p99_ms[0].tolist() == pytest.approx([22, 23, 24, 25, 26], rel=BIN_WIDTH)
    stream_minutes.finish(bench.model, np.zeros(universes.top, np.bool_))
    assert universes.recent_minutes[0] == 0, "a minute without a pace breaks the row"


def test_bins_meet_without_a_gap() -> None:
    intervals_us = np.unique(np.geomspace(1, 3.6e9, 20_000).astype(np.uint32))
    bins = minute_intervals.bins_of(intervals_us)
    assert (np.diff(bins) >= 0).all()
    assert (bins[0], bins[-1]) == (0, minute_intervals.BINS - 1)
