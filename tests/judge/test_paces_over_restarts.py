"""A stream that was too slow before a restart of the daemon is still too slow after it, and is known to be back."""

from __future__ import annotations

from collections.abc import Callable
from itertools import count

import pytest

from slotwatch.snapshot import Incident
from tests.judge.stage import START_NS, Packet, Plain, S, Stage, e131, group_of, house_of
from tests.judge.test_earlier import restarted
from tests.judge.test_pace_ends import paced

HOUSE = house_of((1,))
FELL_S, STOPPED_S, AWAY_S = 40.0, 60.0, 2.0


def left(hz: float) -> list[Incident]:
    """What was open when the daemon stopped: a desk had fallen from 38 Hz to another rate."""
    return Stage(HOUSE, paced(lambda t: 38.0 if t < FELL_S else hz, STOPPED_S)).run(STOPPED_S).open


def after(hz: float, rate: Callable[[float], float]) -> Stage:
    return restarted(HOUSE, left(hz), STOPPED_S, AWAY_S, paced(rate, 90.0))


@pytest.mark.parametrize(
    ("rule", "hz"),
    [
        ("slow-refresh", 4.0),  # a rate of chases
        ("slow-refresh", 12.0),
        ("slow-refresh", 21.5),  # over the limit of 20 Hz, under 60 % of its own norm
        ("uneven-refresh", 3.0),
        ("uneven-refresh", 2.0),
    ],
)
def test_what_was_too_slow_is_found_again_and_ends_when_it_is_back(rule: str, hz: float) -> None:
    lasting = after(hz, lambda t: hz if t < 50.0 else 38.0).run(49.0)
    (one,) = lasting.all
    assert (one.rule, one.id, one.returned_ns) == (rule, 1, None)
    assert not {"closed", "returned"} & {entry.what for entry in one.timeline}
    back = lasting.run(75.0).only()
    assert back.returned_ns is not None
    assert (back.returned_ns - START_NS) / S == pytest.approx(50.0, abs=1 / hz)


@pytest.mark.parametrize("hz", [3.0, 4.0])
def test_what_is_back_at_its_pace_after_the_restart_may_chase(hz: float) -> None:
    """E1.31 6.6.2: each change is sent three times, then nothing until the next."""
    fade = [(n / 38, n * 5 % 250) for n in range(38 * 50)]
    chase = [(50 + n / hz + copy / 38, n * 60 % 250) for n in range(round(30 * hz)) for copy in range(3)]
    sent = [
        Packet(t, e131(1, n, bytes([level]) * 512, cid=b"A" * 16, name="Desk A"), "10.0.0.1", group_of(1))
        for n, (t, level) in enumerate(fade + chase)
    ]
    found = restarted(HOUSE, left(hz), STOPPED_S, AWAY_S, Plain(sent)).run(79.0)
    assert found.open == []


def two_universes(first: Callable[[float], float], second: Callable[[float], float], end_s: float) -> Plain:
    """One desk that sends two universes, each at its own rate."""
    made = []
    for universe, rate in ((1, first), (2, second)):
        t_s = 0.0
        for n in count():
            levels = bytes([n * 5 % 250]) * 512
            data = e131(universe, n, levels, cid=b"A" * 16, name="Desk A")
            made.append(Packet(t_s, data, "10.0.0.1", group_of(universe)))
            t_s += 1 / rate(t_s)
            if t_s >= end_s:
                break
    return Plain(sorted(made, key=lambda packet: packet.t_s))


def test_a_universe_that_stutters_beside_a_slow_one_is_still_told_when_that_one_is_back() -> None:
    """The slow one explains the gaps of the other, at 3 Hz: both are its source's trouble."""
    house = house_of((1, 2))
    fell = two_universes(lambda t: 38.0 if t < FELL_S else 3.0, lambda t: 30.0 if t < FELL_S else 10.0, STOPPED_S)
    before = Stage(house, fell).run(STOPPED_S)
    assert before.only().explains == (("uneven-refresh", ("e131/1",)),)
    later = two_universes(lambda t: 3.0, lambda t: 10.0 if t < 30.0 else 30.0, 80.0)
    (one,) = restarted(house, before.open, STOPPED_S, AWAY_S, later).run(75.0).open
    assert one.id == 1 and "e131/1" in one.summary and "e131/2" not in one.summary


def test_another_source_on_its_universe_has_no_such_pace() -> None:
    packets = [
        Packet(n / 21.5, e131(1, n, bytes([n * 5 % 250]) * 512, cid=b"B" * 16, name="Desk B"), "10.0.0.2", group_of(1))
        for n in range(1500)
    ]
    found = restarted(HOUSE, left(21.5), STOPPED_S, AWAY_S, Plain(packets)).run(60.0)
    assert found.open == []
