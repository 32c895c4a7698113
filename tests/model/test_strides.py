"""What is judged for many streams at once is what `sequence.Series` says packet by packet."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from slotwatch.model import strides
from slotwatch.model.sequence import Series
from slotwatch.wire.fields import OPTION_TERMINATED
from slotwatch.wire.universe import Protocol
from tests.model.packets import MS, SECOND, START, Bench, Sent, artnet, cid, e131
from tests.model.test_model import state

FILTERS = ("counts_by_one", "rises", "stands_still")


def house(seed: int) -> list[Sent]:
    """20 senders that begin, lose packets, come twice, freeze, end and return, side by side."""
    chance = np.random.default_rng(seed)
    sent: list[Sent] = []
    for sender in range(20):
        is_artnet = sender % 4 == 3
        habit = chance.choice(["good", "good", "lossy", "doubled", "stuck", "shared", "leaves"])
        number, t_ns = int(chance.integers(256)), START + int(chance.integers(40)) * MS
        for index in range(int(chance.integers(5, 90))):
            step = {"stuck": 0, "shared": 12}.get(str(habit), 1)
            if habit == "lossy" and chance.random() < 0.1:
                step = int(chance.choice([2, 3, 60, 70, 126, 127, 200, 255]))
            number = (number + step) % 256 or int(is_artnet and sender % 8 == 3)
            t_ns += int(chance.choice([23 * MS, 23 * MS, 30 * MS, 5 * MS]))
            options = 0
            if habit == "leaves" and chance.random() < 0.05:
                options = OPTION_TERMINATED
                t_ns += int(chance.choice([0, 11 * SECOND]))
            levels = bytes((int(chance.integers(3)),)) * int(chance.choice([512, 512, 100]))
            for copy in range(2 if habit == "doubled" and chance.random() < 0.7 else 1):
                at_ns = t_ns + copy * int(chance.choice([0, 1, 9, 12])) * MS
                if is_artnet:
                    data = artnet(levels, universe=sender, sequence=number)
                    sent.append(Sent(at_ns, data, f"10.0.0.{sender}", protocol=Protocol.ARTNET))
                else:
                    code = 0xDD if index % 11 == 7 and sender % 2 else 0
                    data = e131(
                        levels,
                        universe=sender + 1,
                        sequence=number,
                        source=cid(sender),
                        options=options,
                        start_code=code,
                    )
                    sent.append(Sent(at_ns, data, f"10.0.0.{sender}"))
    return sorted(sent, key=lambda packet: packet.t_ns)


def none_of(table: Any, segments: Any, *_: Any) -> Any:
    return np.zeros(len(segments.rows), np.bool_)


@pytest.mark.parametrize("seed", [*range(8), 76, 87, 102, 208, 279])
def test_at_once_is_as_one_by_one(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    sent = house(seed)

    def judged(sizes: list[int]) -> dict[str, Any]:
        bench = Bench()
        bench.feed_split(sent, sizes)
        bench.model.advance(sent[-1].t_ns + 150 * MS)
        return state(bench.model)

    at_once = [judged(sizes) for sizes in ([len(sent)], [1], [16, 3], [64])]
    for name in FILTERS:
        monkeypatch.setattr(strides, name, none_of)
    monkeypatch.setattr(strides, "find_copies", lambda table, part, *_: np.zeros(len(part.at), np.bool_))
    expected = judged([1])
    for found in at_once:
        assert {key for key in expected if not np.array_equal(expected[key], found[key])} == set()


@pytest.mark.parametrize("together", [1, 2, 20])
def test_a_stream_that_counts_by_twelve_and_returns_is_as_one_by_one(together: int) -> None:
    """Which numbers came decides what is missing of the last 10 frames, as soon as the stream counts by one."""
    before, after = range(0, 132, 12), (200, 212, 213, 214, 215)
    times = [START + index * 23 * MS + (index >= len(before)) * 11 * SECOND for index in range(16)]
    numbers = [*before, *after]
    bench, series = Bench(), Series(skips_zero=False)
    bench.feed_split(
        [Sent(t_ns, e131(bytes(512), sequence=number)) for t_ns, number in zip(times, numbers, strict=True)],
        [len(before), *[together] * len(after)],
    )
    for number in before:
        series.take(number, False)
    series.forget()
    for number in after:
        series.take(number, False)
    streams, row = bench.model.streams, bench.stream()
    assert int(streams.series_mask[row]) == series.mask
    assert series.is_measurable
    assert streams.lost_of_last_10[row] == 10 - (series.mask & 0x3FF).bit_count() == 6


@pytest.mark.parametrize("together", [1, 16, 200])
@pytest.mark.parametrize(
    "numbers",
    [[*range(1, 31), *[0] * 30], [*range(1, 132, 12), *[0] * 80, *range(1, 132, 12)], [*[0] * 30, *range(1, 40)]],
)
def test_artnet_numbers_that_are_not_used_are_as_one_by_one(numbers: list[int], together: int) -> None:
    bench, series = Bench(), Series(skips_zero=True)
    sent = [
        Sent(START + index * 23 * MS, artnet(bytes(512), universe=1, sequence=number), protocol=Protocol.ARTNET)
        for index, number in enumerate(numbers)
    ]
    bench.feed_split(sent, [together])
    for number in numbers:
        series.take(number, False)
    streams, row = bench.model.streams, bench.stream(protocol=Protocol.ARTNET)
    for column in ("mask", "step", "votes", "run", "packets"):
        assert int(getattr(streams, f"series_{column}")[row]) == getattr(series, column), column
    assert streams.sequence_step[row] == series.common_step
    assert bool(streams.sequence_measurable[row]) is series.is_measurable
    assert streams.lost_frames[row] == series.lost == 0


@pytest.mark.parametrize(("missing", "together"), [(0, 1000), (2, 50)])
def test_a_house_that_begins_is_judged_at_once(missing: int, together: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not one packet by itself, or the start of a full house would cost a second; nor where numbers are missing in it,
    or what is lost in that second would cost the next."""
    taken: list[int] = []
    take = Series.take
    monkeypatch.setattr(
        Series, "take", lambda series, number, is_copy: taken.append(1) or take(series, number, is_copy)
    )
    bench = Bench()
    sent = [
        Sent(
            START + index * 23 * MS + universe,
            e131(bytes(512), universe=universe, sequence=index + universe + missing * (index > 5)),
        )
        for index in range(20)
        for universe in range(1, 51)
    ]
    bench.feed_split(sent, [together])
    assert not taken
    streams = bench.model.streams
    assert (streams.sequence_step[streams.rows()] == 1).all()
