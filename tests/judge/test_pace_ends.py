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
