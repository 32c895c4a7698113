"""Intervals, percentiles, gaps that are no rest, slow movement and what a stream's norm is."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
from ipaddress import IPv4Address
from pathlib import Path

import numpy as np
import pytest

from slotwatch.model.cadence import BIN_EDGES_MS, INTERVALS
from tests.model.packets import MS, SECOND, START, Bench, Sent, artnet, e131, frames
from tests.patience import PATIENCE_S


def feed_times(bench: Bench, times_ms: list[float], levels: list[int]) -> int:
    bench.feed(
        Sent(START + round(t * MS), e131(bytes((level,)) * 512, sequence=i % 256))
        for i, (t, level) in enumerate(zip(times_ms, levels, strict=True))
    )
    bench.model.advance(START + round(times_ms[-1] * MS) + 100 * MS)
    return bench.stream()


def test_percentiles_are_those_of_the_kept_intervals() -> None:
    """Against numpy's percentile by the nearest rank above, over the last 512."""
    chance = np.random.default_rng(3)
    intervals_ms = np.round(chance.gamma(8, 3, 900), 3)
    times = [0.0, *np.cumsum(intervals_ms).tolist()]
    bench = Bench()
    row = feed_times(bench, times, [i % 256 for i in range(len(times))])
    bench.model.percentiles(np.array([row]))
    kept = intervals_ms[-INTERVALS:]
    streams = bench.model.streams
    for share, column in ((50, "p50"), (95, "p95"), (99, "p99"), (100, "max")):
        expected = np.percentile(kept, share, method="inverted_cdf")
        assert getattr(streams, f"interval_{column}_ms")[row] == pytest.approx(expected, abs=0.002)
    assert streams.median_interval_ns[row] / MS == pytest.approx(
        np.percentile(kept, 50, method="inverted_cdf"), abs=0.002
    )


@pytest.mark.parametrize("count", [40, 900])
def test_bins_hold_the_kept_intervals(count: int) -> None:
    """Against numpy's histogram, with few intervals and with more than are kept. Its last bin has no end here."""
    intervals_ms = np.round(np.random.default_rng(5).gamma(2, 30, count), 2)
    times = [0.0, *np.cumsum(intervals_ms).tolist()]
    bench = Bench()
    row = feed_times(bench, times, [i % 256 for i in range(len(times))])
    bench.model.percentiles(np.array([row]))
    kept_us = np.diff(np.round(np.array(times) * 1000).astype(np.int64))[-INTERVALS:]
    expected, _ = np.histogram(kept_us, np.array([0, *BIN_EDGES_MS, 10**6]) * 1000)
    assert bench.model.streams.interval_bins[row].tolist() == expected.tolist()
    assert expected.sum() == min(count, INTERVALS)


def test_an_outage_is_no_interval() -> None:
    bench = Bench()
    bench.feed(frames(20))
    bench.feed(frames(20, start_ns=START + 60 * SECOND))
    row = bench.stream()
    bench.model.percentiles(np.array([row]))
    assert bench.model.streams.interval_max_ms[row] == pytest.approx(25)
    assert bench.model.streams.interval_count[row] == 38


def test_median_forgets_what_is_older_than_a_minute() -> None:
    """200 intervals of 25 ms, then 61 of 1 s: the last 60 s hold only the latter."""
    times = [i * 25.0 for i in range(201)] + [5000.0 + i * 1000 for i in range(1, 62)]
    bench = Bench()
    row = feed_times(bench, times, [i % 256 for i in range(len(times))])
    bench.model.percentiles(np.array([row]))
    assert bench.model.streams.median_interval_ns[row] == SECOND


def moving(count: int, start: int = 0) -> list[int]:
    return [(start + i * 5) % 256 for i in range(count)]


# Before the gap, the gap in ms, after it: is it uneven? The stream runs at 40 Hz, so 3 medians are 75 ms.
GAPS = [
    ("just under 100 ms", moving(5), 100.0, moving(3, 90), False),
    ("just over 100 ms", moving(5), 100.1, moving(3, 90), True),
    ("after three equal frames", [7, 7, 7], 400.0, moving(3, 90), False),
    ("after two equal frames", [6, 7, 7], 400.0, moving(3, 90), True),
    ("nothing moves after it", moving(5), 400.0, [20, 20, 20], False),
]


@pytest.mark.parametrize(("name", "before", "gap_ms", "after", "uneven"), GAPS)
def test_uneven_gaps(name: str, before: list[int], gap_ms: float, after: list[int], uneven: bool) -> None:
    lead = moving(200, 1)
    levels = [*lead, *before, *after]
    times = [25.0 * i for i in range(len(lead) + len(before))]
    times += [times[-1] + gap_ms + 25.0 * i for i in range(len(after))]
    bench = Bench()
    row = feed_times(bench, times, levels)
    assert bench.model.streams.uneven_10s[row] == (1 if uneven else 0), name


def test_a_static_look_on_keep_alive_is_idle() -> None:
    """E1.31 6.6.2: three packets of the final look, then one every 800 to 1000 ms."""
    times = [25.0 * i for i in range(400)]
    levels = [*moving(397), 9, 9, 9]
    for _ in range(5):
        times.append(times[-1] + 900)
        levels.append(9)
    times += [times[-1] + 700 + 25 * i for i in range(20)]
    levels += moving(20, 10)
    bench = Bench()
    row = feed_times(bench, times, levels)
    assert bench.model.streams.uneven_10s[row] == 0


def test_steps_count_from_four_on() -> None:
    bench = Bench()
    row = feed_times(bench, [25.0 * i for i in range(9)], [0, 3, 6, 9, 13, 17, 17, 200, 0])
    streams = bench.model.streams
    assert streams.changed_5s[row] == 7 and streams.stepped_5s[row] == 4
    assert streams.changes[row] == 7 and streams.max_step[row] == 200
    assert streams.last_change_ns[row] == START + 200 * MS


def test_the_norm_is_the_best_moving_rate_and_is_known_by_the_second() -> None:
    bench = Bench()
    fast, slow = [25.0 * i for i in range(40 * 40)], []
    slow = [fast[-1] + 100.0 * (i + 1) for i in range(100)]
    row = feed_times(bench, fast + slow, moving(len(fast) + len(slow)))
    streams = bench.model.streams
    assert streams.best_moving_hz[row] == pytest.approx(40, rel=0.03)
    assert 30 <= streams.moving_known_s[row] <= 46
    assert streams.frames_5s[row] / 5 == pytest.approx(10, rel=0.03)
    assert streams.stepped_5s[row] >= 0.8 * streams.frames_5s[row]


def test_rest_teaches_no_norm() -> None:
    bench = Bench()
    row = feed_times(bench, [25.0 * i for i in range(800)], [3] * 800)
    assert bench.model.streams.moving_known_s[row] == 0
    assert bench.model.streams.equal_frames[row] == 799


def test_longest_gap_of_ten_seconds_passes_out_of_the_window() -> None:
    bench = Bench()
    bench.feed(frames(40))
    bench.feed(frames(40, start_ns=START + 2 * SECOND, first_sequence=40))
    row = bench.stream()
    bench.model.advance(START + 4 * SECOND)
    assert bench.model.streams.max_gap_10s_ns[row] == SECOND + 25 * MS
    bench.feed(frames(10, start_ns=START + 4 * SECOND, every_ns=SECOND, first_sequence=80))
    bench.model.advance(START + 13 * SECOND)
    assert bench.model.streams.max_gap_10s_ns[row] == SECOND + 25 * MS
    bench.model.advance(START + 15 * SECOND)
    assert bench.model.streams.max_gap_10s_ns[row] == SECOND


def test_short_frames_do_not_read_what_lies_behind_them() -> None:
    """Rows of the ring hold what earlier packets left; the test's batches fill it with 0xA5."""
    bench = Bench()
    bench.feed([Sent(START, e131(bytes(24))), Sent(START + 25 * MS, e131(bytes(24), sequence=1))])
    bench.feed([Sent(START, artnet(bytes(24)), protocol=2)])
    assert not bench.model.streams.levels[: bench.model.streams.top].any()
    assert bench.model.streams.changes[bench.stream()] == 0


@pytest.mark.tshark
def test_intervals_agree_with_tshark(tmp_path: Path) -> None:
    """frame.time_delta of a capture's one stream, within 50 µs at every percentile."""
    if shutil.which("tshark") is None:
        assert not os.environ.get("CI"), "tshark is missing"
        pytest.skip("tshark is not installed")
    capture = tmp_path / "jitter.pcap"
    chance = np.random.default_rng(8)
    times_ns = START + np.cumsum(chance.integers(15, 40, 300)) * MS + chance.integers(0, MS, 300)
    sent = [Sent(int(t), e131(bytes((i % 256,)) * 512, sequence=i % 256)) for i, t in enumerate(times_ns)]
    write_pcap(capture, sent)
    out = subprocess.run(
        ["tshark", "-r", str(capture), "-T", "fields", "-e", "frame.time_delta"],
        capture_output=True, text=True, check=True, timeout=PATIENCE_S,
    ).stdout  # fmt: skip
    theirs_ms = np.array([float(line) for line in out.split()][1:]) * 1000
    bench = Bench()
    bench.feed_split(sent, [7])
    row = bench.stream()
    bench.model.percentiles(np.array([row]))
    for share, column in ((50, "p50"), (95, "p95"), (99, "p99"), (100, "max")):
        expected = np.percentile(theirs_ms, share, method="inverted_cdf")
        assert getattr(bench.model.streams, f"interval_{column}_ms")[row] == pytest.approx(expected, abs=0.05)


def write_pcap(path: Path, sent: list[Sent]) -> None:
    """A nanosecond pcap of raw IPv4 (link type 101)."""
    with path.open("wb") as file:
        file.write(struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 65535, 101))
        for packet in sent:
            udp = struct.pack(">HHHH", 5568, 5568, 8 + len(packet.data), 0) + packet.data
            head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(udp), 0, 0, 64, 17, 0)
            head += IPv4Address(packet.src).packed + IPv4Address("239.255.0.1").packed
            data = head + udp
            file.write(struct.pack("<IIII", *divmod(packet.t_ns, SECOND), len(data), len(data)) + data)
