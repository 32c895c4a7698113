"""When frames leave, against the clauses of ANSI E1.31-2018 and ANSI E1.11."""

from __future__ import annotations

import itertools

import pytest

from slotwatch.bridge.pacing import Pacer, shortest_interval_ns

MS = 1_000_000


# Highest refresh by slot count, ANSI E1.11 line timing with break 92 us and mark 12 us.
@pytest.mark.parametrize(("slots", "rate_hz"), [(512, 44.10), (100, 219.9), (24, 830.6), (1, 830.6)])
def test_shortest_interval_is_the_lines(slots: int, rate_hz: float) -> None:
    assert 1e9 / shortest_interval_ns(slots) == pytest.approx(rate_hz, abs=0.05)


def run(pacer: Pacer, changes_ms: list[float], until_ms: float) -> list[float]:
    """Send whenever it is due, on a 0.1 ms grid; return the times in ms."""
    sent, waiting = [], sorted(changes_ms)
    for tick in range(int(until_ms * 10)):
        now = tick * MS // 10 + 10**12
        while waiting and waiting[0] * 10 <= tick:
            waiting.pop(0)
            pacer.change()
        due = pacer.next_ns()
        if due is not None and due <= now:
            pacer.sent(now)
            sent.append(tick / 10)
    return sent


def test_nothing_before_the_first_change() -> None:
    assert run(Pacer(22 * MS), [], 5000) == []


def test_three_packets_then_keep_alive() -> None:
    """6.6.2: three packets with the final values, then one every 800 to 1,000 ms."""
    times = run(Pacer(shortest_interval_ns(512)), [100], 4000)
    assert times[0] == 100
    assert times[2] - times[0] < 100
    gaps = [b - a for a, b in itertools.pairwise(times[2:])]
    assert gaps
    assert all(800 <= gap <= 1000 for gap in gaps)


def test_a_stall_delays_the_next_frames_only() -> None:
    """44 Hz on a line that carries 44.1: the frame that a stall of 20 ms held up is made up for within four frames,
    no two are closer than three quarters of an interval, and the mean stays the line's."""
    pacer, period, late = Pacer(shortest_interval_ns(512)), 1000 / 44, {20: 20.0}
    arrived = [period * n for n in range(200)]
    times = run(pacer, [at + late.get(n, 0.0) for n, at in enumerate(arrived)], 4700)
    sent = dict(zip(times[:200], arrived, strict=True))
    delays = [left - came for left, came in sent.items()]
    assert delays[20] >= 20
    assert max(delays[26:]) < 1
    gaps = [b - a for a, b in itertools.pairwise(times[:200])]
    assert min(gaps) >= 22.6 * 3 / 4


def test_changes_faster_than_the_line_are_thinned_not_queued() -> None:
    """6.6.1: never above the E1.11 maximum refresh for the packet."""
    times = run(Pacer(shortest_interval_ns(512)), [5.0 * n for n in range(200)], 1000)
    gaps = [b - a for a, b in itertools.pairwise(times)]
    assert min(gaps) >= 22.6 * 3 / 4, "no frame is more than a quarter of an interval early"
    assert 42 <= len(times) <= 45, "and the mean stays under the line's 44.1 Hz"


def test_a_moving_input_is_followed_frame_by_frame_without_repeats() -> None:
    """44 Hz in, 44 Hz out, each at once: no repeat delays the next change."""
    changes = [100 + 22.727 * n for n in range(80)]
    times = run(Pacer(shortest_interval_ns(512)), changes, 100 + 22.727 * 80)
    assert len(times) == 80
    assert max(sent - due for sent, due in zip(times, changes, strict=True)) <= 0.1


def test_stop_is_silence() -> None:
    pacer = Pacer(22 * MS)
    pacer.change()
    pacer.stop()
    assert pacer.next_ns() is None
