"""A rate that is too low or too high ends with its last such frame, not when the window's mean is right again."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.judge.stage import START_NS, Desk, Packet, Plain, S, Stage, e131, group_of, house_of

BEGINS_S, ENDS_S = 10.0, 22.0


def paced(rate: Callable[[float], float], end_s: float) -> Plain:
    """A desk whose rate changes; its levels always move."""
    made, t = [], 0.0
    while t < end_s:
        levels = bytes([len(made) * 5 % 250]) * 512
        data = e131(1, len(made), levels, cid=b"A" * 16, name="Desk A")
        made.append(Packet(t, data, "10.0.0.1", group_of(1)))
        t += 1 / rate(t)
    return Plain(made)


@pytest.mark.parametrize(
    ("rule", "wrong_hz", "right_hz"),
    [
        ("slow-refresh", 12.0, 40.0),
        ("slow-refresh", 18.0, 22.0),  # the limit is 20 Hz
        ("fast-refresh", 60.0, 40.0),  # a line carries 44.1 Hz of 512 slots
    ],
)
def test_it_ends_with_its_last_frame(rule: str, wrong_hz: float, right_hz: float) -> None:
    sender = paced(lambda t: wrong_hz if BEGINS_S <= t < ENDS_S else right_hz, 40.0)
    found = Stage(house_of((1, 11)), sender, Desk("House lights", (11,), "10.0.0.2", 2)).run(40.0).rule(rule)
    assert found.returned_ns is not None
    frame_s = 1 / wrong_hz
    assert (found.began_ns - START_NS) / S == pytest.approx(BEGINS_S, abs=frame_s)
    assert (found.returned_ns - START_NS) / S == pytest.approx(ENDS_S, abs=frame_s)


@pytest.mark.parametrize("slow_hz", [8.0, 4.5, 4.0, 2.0])
def test_what_falls_further_stays_one_incident_until_it_is_back_at_its_pace(slow_hz: float) -> None:
    """A desk at 38 Hz whose program falls behind, step by step; at the end it runs as before."""

    def rate(t_s: float) -> float:
        return 8.0 if 40.0 <= t_s < 47.0 else slow_hz if 47.0 <= t_s < 80.0 else 38.0

    stage = Stage(house_of((1, 11)), paced(rate, 100.0), Desk("House lights", (11,), "10.0.0.2", 2)).run(80.0)
    assert [one.rule for one in stage.open] == ["slow-refresh"]
    found = stage.run(100.0).only()
    assert found.returned_ns is not None and (found.began_ns - START_NS) / S == pytest.approx(40.0, abs=1 / 8)
    assert (found.returned_ns - START_NS) / S == pytest.approx(80.0, abs=1 / slow_hz)


def test_a_fall_from_38_to_4_hz_is_one_incident() -> None:
    """Its mean passes the rates of a slow stream within seconds, and stays at those of a chase."""
    stage = Stage(house_of((1,)), paced(lambda t: 38.0 if t < 40.0 else 4.0, 90.0)).run(90.0)
    assert stage.only().rule == "slow-refresh" and stage.only().returned_ns is None


def test_a_slow_stream_that_comes_to_rest_is_over() -> None:
    """E1.31 6.6.2: three equal frames, then keep-alive. Its last slow frame is of 60 s, told to a second."""

    def packets() -> list[Packet]:
        times = [*(n / 38 for n in range(1520)), *(40 + n / 4 for n in range(80)), 60.1, 60.2, 60.3]
        times += [60.3 + 0.9 * n for n in range(1, 30)]
        levels = [bytes([min(n, 1600) * 5 % 250]) * 512 for n in range(len(times))]
        sent = zip(times, levels, strict=True)
        return [
            Packet(t, e131(1, n, data, cid=b"A" * 16, name="Desk A"), "10.0.0.1", group_of(1))
            for n, (t, data) in enumerate(sent)
        ]

    found = Stage(house_of((1,)), Plain(packets())).run(80.0).only()
    assert found.returned_ns is not None and 58.9 <= (found.returned_ns - START_NS) / S <= 60.0


@pytest.mark.parametrize("hz", [3.0, 4.0, 8.0])
def test_a_chase_that_is_sent_on_change_after_a_fade_is_no_fault(hz: float) -> None:
    """E1.31 6.6.2: each change is sent three times, then nothing until the next."""
    fade = [(n / 38, n * 5 % 250) for n in range(1520)]
    chase = [(40 + n / hz + copy / 38, n * 60 % 250) for n in range(round(30 * hz)) for copy in range(3)]
    sent = [
        Packet(t, e131(1, n, bytes([level]) * 512, cid=b"A" * 16, name="Desk A"), "10.0.0.1", group_of(1))
        for n, (t, level) in enumerate(fade + chase)
    ]
    assert Stage(house_of((1,)), Plain(sent)).run(69.0).all == []
