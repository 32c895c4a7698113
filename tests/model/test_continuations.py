"""The compiled pass says the same as the ordinary way, whatever comes: all columns of all tables are compared.

The ordinary way is the reference; its own tests hold it against the standards.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from compilation import build
from slotwatch.edge.shared.compiled import SOURCE, Compiled, load
from slotwatch.house.schema import DeclaredUniverse, House
from slotwatch.model import lighttap
from slotwatch.model.lighttap import LightTap, Watch
from slotwatch.model.model import Model
from slotwatch.model.stage import Stage
from slotwatch.wire.decode import decode
from slotwatch.wire.fields import OPTION_PREVIEW, OPTION_TERMINATED
from slotwatch.wire.universe import Protocol, UniverseId
from tests.compiling import Built, compiler
from tests.model.packets import MS, SECOND, START, Sent, artnet, batch_of, cid, e131
from tests.model.test_model import state, traffic
from tests.sweep import swept


class Both:
    """The same packets on both ways."""

    def __init__(
        self, compiled: Compiled, house: House | None = None, taps: Sequence[LightTap | None] = (None, None)
    ) -> None:
        """taps: what each way shows its frames to."""
        stages = [Stage(house or House()) for _ in taps]
        for stage, tap in zip(stages, taps, strict=True):
            stage.tap = tap
        self.plain = Model(house or House(), START, stage=stages[0])
        self.fast = Model(house or House(), START, compiled, stages[1])
        self.taken = self.sent = 0

    def feed(self, sent: Sequence[Sent], sizes: Sequence[int]) -> None:
        at = turn = 0
        while at < len(sent):
            size = sizes[turn % len(sizes)]
            batch = batch_of(sent[at : at + size])
            self.plain.ingest(batch, decode(batch))
            left = 0
            for others in self.fast.take_routine(batch):
                left += len(others)
                self.fast.ingest(others, decode(others))
            self.taken += len(batch) - left
            self.sent += len(batch)
            at += size
            turn += 1

    def advance(self, now_ns: int) -> None:
        self.plain.advance(now_ns)
        self.fast.advance(now_ns)

    def differences(self) -> set[str]:
        expected, found = state(self.plain), state(self.fast)
        wrong = {key for key in expected if not np.array_equal(expected[key], found[key])}
        for name in ("packets", "rejects", "start_codes", "intervals"):
            if not np.array_equal(getattr(self.plain.counters, name), getattr(self.fast.counters, name)):
                wrong.add(f"counters.{name}")
        if not np.allclose(self.plain.counters.interval_sum_s, self.fast.counters.interval_sum_s, rtol=1e-12):
            wrong.add("counters.interval_sum_s")
        if self.plain.counters.odd != self.fast.counters.odd:
            wrong.add("counters.odd")
        return wrong


def desks(seed: int, seconds: float, trouble: float) -> list[Sent]:
    """Two desks of several universes at 40 Hz: cues, slow fades, short frames, and now and then a fault."""
    chance = np.random.default_rng(seed)
    universes, slots = int(chance.integers(1, 12)), int(chance.choice([512, 512, 96, 1]))
    numbers = np.zeros((2, universes), np.int64)
    levels = np.zeros((2, universes, slots), np.int64)
    sent = []
    for frame in range(round(seconds * 40)):
        for desk in range(2):
            for universe in range(universes):
                t_ns = START + frame * 25 * MS + desk * 3 * MS + universe * 200_000
                numbers[desk, universe] += 1
                if chance.random() < 0.3:
                    some = chance.integers(0, slots, int(chance.choice([1, 2, slots])))
                    levels[desk, universe, some] = chance.integers(0, 256)
                elif chance.random() < 0.2:
                    levels[desk, universe] = np.minimum(255, levels[desk, universe] + 1)
                options, code, priority, wide, copies = 0, 0, 100, slots, 1
                if chance.random() < trouble:
                    what = int(chance.integers(0, 9))
                    numbers[desk, universe] += (5, 0, 0, 0, 0, 0, 0, -1, 0)[what]
                    options = (0, OPTION_PREVIEW, OPTION_TERMINATED, 0, 0, 0, 0, 0, 0)[what]
                    code = 0xDD if what == 3 else 0
                    priority = 150 if what == 4 else 100
                    wide = max(1, slots // 2) if what == 5 else slots
                    copies = 2 if what == 6 else 1
                    t_ns += 60 * MS * (what == 8)
                data = bytes(levels[desk, universe, :wide].tolist())
                packet = e131(
                    data,
                    universe=universe + 1,
                    sequence=int(numbers[desk, universe] % 256),
                    source=cid(desk + 1),
                    options=options,
                    start_code=code,
                    priority=priority,
                )
                sent += [
                    Sent(t_ns, packet, f"10.0.0.{desk + 1}", f"239.255.0.{universe + 1}", network=desk % 2)
                ] * copies
    # As through one socket: in order of arrival.
    return sorted(sent, key=lambda one: one.t_ns)


@pytest.mark.parametrize("bytes_at_once", [16, 32])
def test_narrower_instructions_find_the_same(tmp_path: Path, bytes_at_once: int) -> None:
    """A processor without the widest instructions, or without any of them, uses other code of the same source."""
    file = tmp_path / "narrow.so"
    build(compiler(), SOURCE, file, ("-O3", f"-DWIDEST={bytes_at_once}"))
    compiled = load(file)
    assert compiled is not None
    for seed in range(6):
        both = Both(compiled)
        both.feed(desks(seed, 3.0, 0.001), (1, 7, 64))
        assert not both.differences()
        assert both.taken > both.sent // 4, "the compiled pass took its part"


@pytest.mark.parametrize("seed", swept(range(24), every=6))
def test_desks_are_the_same_on_both_ways(built: Built, seed: int) -> None:
    compiled = built(load)
    both = Both(compiled)
    trouble = (0.0, 0.002, 0.05)[seed % 3]
    sent = desks(seed, 2.5, trouble)
    both.feed(sent, ([1], [len(sent)], [3, 1, 70], [16], [300])[seed % 5])
    both.advance(sent[-1].t_ns + 150 * MS)
    assert both.differences() == set()
    assert both.taken > both.sent * (0.05 if trouble > 0.01 else 0.6), "the compiled pass took its part"
    both.advance(sent[-1].t_ns + 4 * SECOND)
    assert both.differences() == set()


@pytest.mark.parametrize("seed", swept(range(40), every=5))
def test_odd_packets_between_are_the_same_on_both_ways(built: Built, seed: int) -> None:
    compiled = built(load)
    both = Both(compiled)
    steady = desks(seed + 100, 1.0, 0.01)
    odd = traffic(seed)
    sent = sorted([*steady, *odd], key=lambda one: one.t_ns)
    both.feed(sent, ([7], [len(sent)], [50, 1], [128], [1000])[seed % 5])
    both.advance(sent[-1].t_ns + 150 * MS)
    assert both.differences() == set()


def test_a_house_of_many_streams_grows_the_tables_on_both_ways(built: Built) -> None:
    compiled = built(load)
    both = Both(compiled)
    sent = [
        Sent(START + frame * 23 * MS + universe * 10_000, e131(bytes([frame]) * 512, universe=universe, sequence=frame))
        for frame in range(24)
        for universe in range(1, 701)
    ]
    both.feed(sent, [1024])
    both.advance(START + SECOND)
    assert both.differences() == set()
    assert both.taken > both.sent / 3


def test_a_stream_that_is_lost_and_comes_back_is_the_same_on_both_ways(built: Built) -> None:
    compiled = built(load)
    both = Both(compiled)
    for life in range(3):
        began_ns = START + life * 5 * SECOND
        sent = [
            Sent(began_ns + frame * 25 * MS, e131(bytes([frame // 4]) * 512, sequence=frame + life))
            for frame in range(40)
        ]
        both.feed(sent, [10])
        both.advance(began_ns + 4 * SECOND)
        assert both.differences() == set()
    assert both.taken > 60


def test_a_sender_whose_header_changes_takes_the_ordinary_way(built: Built) -> None:
    """Name, priority, universe of synchronization, length and address are compared byte by byte."""
    compiled = built(load)
    both = Both(compiled)
    both.feed([Sent(START + n * 25 * MS, e131(bytes(512), sequence=n)) for n in range(40)], [10])
    before = both.taken
    changes: tuple[dict[str, Any], ...] = ({"priority": 90}, {"name": b"another"}, {"sync": 7}, {"levels": bytes(100)})
    for n, change in enumerate(changes):
        packet = e131(**{"levels": bytes(512), "sequence": 40 + n, **change})
        both.feed([Sent(START + (40 + n) * 25 * MS, packet)], [1])
    both.feed([Sent(START + 44 * 25 * MS, e131(bytes(512), sequence=44), "10.20.0.11")], [1])
    both.feed([Sent(START + 45 * 25 * MS, e131(bytes(512), sequence=44), network=1)], [1])
    both.advance(START + 2 * SECOND)
    assert both.taken == before
    assert both.differences() == set()


def test_watched_slots_see_the_same_frames_on_both_ways(built: Built) -> None:
    """Frames shorter than the watched slot show 0 there, whatever lies behind them in the row."""
    compiled = built(load)
    house = House(universes=tuple(DeclaredUniverse(UniverseId(Protocol.E131, n)) for n in (1, 2, 3)))
    taps = tapped([([(0, [0, 5]), (1, [511, 3]), (2, [2, 2])], 2)], 3)
    both = Both(compiled, house, taps)
    sent = [
        Sent(START + n * 25 * MS + u * MS, e131(bytes([n]) * (512 if u < 3 else 2), universe=u, sequence=n))
        for n in range(60)
        for u in (1, 2, 3)
    ]
    for start in range(0, len(sent), 30):
        both.feed(sent[start : start + 30], [30])
        both.advance(sent[min(start + 29, len(sent) - 1)].t_ns)
    seen = [tap.watches[0].drain() for tap in taps]
    assert seen[0] is not None and seen[1] is not None
    for plain, fast in zip(seen[0], seen[1], strict=True):
        assert np.array_equal(plain, fast)
    assert both.taken > 60


def declared(numbers: Sequence[int]) -> House:
    return House(universes=tuple(DeclaredUniverse(UniverseId(Protocol.E131, number)) for number in numbers))


def tapped(watches: Sequence[tuple[list[tuple[int, list[int]]], int]], universes: int) -> list[LightTap]:
    """A tap of its own for each way, with these watches: rows and width."""
    return [LightTap(tuple(Watch(list(rows), universes, width) for rows, width in watches)) for _ in range(2)]


@pytest.mark.parametrize("is_single", [True, False])
def test_several_watches_see_the_frames_of_winners_on_both_ways(built: Built, is_single: bool) -> None:
    """Universe 3 is in no watch, universe 4 is not declared, and a second desk of lower priority wins nothing."""
    compiled = built(load)
    first = [(0, [0, 5, 9]), (1, [511, 3, 200])] if is_single else [(0, [0, 5, 9]), (0, [7]), (1, [511, 3, 200])]
    taps = tapped([(first, 3), ([(1, [1])], 1)], 3)
    both = Both(compiled, declared((1, 2, 3)), taps)
    sent = [
        Sent(
            START + n * 25 * MS + universe * MS + desk * 200_000,
            e131(
                bytes((n * 7 + slot + desk) % 256 for slot in range(512 if universe != 2 else 300)),
                universe=universe,
                sequence=n,
                source=cid(desk),
                priority=100 - desk,
            ),
            f"10.0.0.{desk + 1}",
        )
        for n in range(60)
        for universe in (1, 2, 3, 4)
        for desk in (0, 1)
    ]
    for start in range(0, len(sent), 60):
        both.feed(sent[start : start + 60], [23])
        both.advance(sent[min(start + 59, len(sent) - 1)].t_ns)
    for plain, fast in zip(taps[0].watches, taps[1].watches, strict=True):
        one, other = plain.drain(), fast.drain()
        assert one is not None and other is not None
        assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))
        assert len(one[0]) >= 55
    assert both.taken > 300
    assert both.differences() == set()


def test_frames_beyond_the_bound_are_left_out_alike_on_both_ways(built: Built, monkeypatch: pytest.MonkeyPatch) -> None:
    compiled = built(load)
    monkeypatch.setattr(lighttap, "MAX_FRAMES", 50)
    taps = tapped([([(0, [0]), (1, [1])], 1)], 2)
    both = Both(compiled, declared((1, 2)), taps)
    sent = [
        Sent(START + n * 25 * MS + universe * MS, e131(bytes([n]) * 512, universe=universe, sequence=n))
        for n in range(80)
        for universe in (1, 2)
    ]
    both.feed(sent, [20])
    for tap in taps:
        seen = tap.watches[0].drain()
        assert seen is not None
        assert len(seen[0]) == 50
    assert taps[0].left_out == taps[1].left_out
    assert taps[0].left_out > 100


def test_art_net_between_is_left_alone(built: Built) -> None:
    compiled = built(load)
    both = Both(compiled)
    sent = []
    for n in range(60):
        t_ns = START + n * 25 * MS
        sent.append(Sent(t_ns, e131(bytes([n]) * 512, sequence=n)))
        sent.append(Sent(t_ns + MS, artnet(bytes([n]) * 512, sequence=n % 255 + 1), protocol=Protocol.ARTNET))
    both.feed(sent, [24])
    both.advance(START + 2 * SECOND)
    assert both.differences() == set()
    assert 30 < both.taken <= 60


def test_a_file_of_another_source_is_not_loaded(tmp_path: Path) -> None:
    source = tmp_path / "other.c"
    source.write_text(SOURCE.read_text() + "\n/* changed */\n")
    build(compiler(), source, tmp_path / "other.so")
    assert load(tmp_path / "other.so") is None
    assert load(tmp_path / "none.so") is None


@pytest.mark.parametrize("seed", swept(range(12), every=6))
def test_pauses_and_gaps_are_the_same_on_both_ways(built: Built, seed: int) -> None:
    """Idle streams once a second (E1.31 6.6.2), and moving ones with gaps over 100 ms, some of them stamped late."""
    compiled = built(load)
    chance = np.random.default_rng(seed)
    sent: list[Sent] = []
    for universe in range(1, 6):
        t_ns, level = START + universe * MS, 0
        for number in range(300):
            t_ns += int(chance.choice([25 * MS, 25 * MS, 25 * MS, 90 * MS, 100 * MS + 400, 150 * MS, 990 * MS]))
            level = (level + int(chance.random() < 0.4)) % 256
            packet = e131(bytes([level]) * 512, universe=universe, sequence=number % 256)
            sent.append(Sent(t_ns, packet, "10.0.0.1", f"239.255.0.{universe}"))
    sent.sort(key=lambda one: one.t_ns)
    both = Both(compiled)
    both.feed(sent, ([1], [len(sent)], [5, 60])[seed % 3])
    both.advance(sent[-1].t_ns + 150 * MS)
    assert both.differences() == set()
    assert both.taken > 100


def test_a_name_is_read_again_each_second_on_both_ways(built: Built) -> None:
    """A source that takes another name is shown by it a second later at most, however few packets come at once."""
    compiled = built(load)
    for size in (1, 7, 64, 400):
        both = Both(compiled)
        for frame in range(200):
            name = b"Desk A" if frame < 90 else b"Desk B"
            packets = [
                Sent(
                    START + frame * 25 * MS + universe * MS,
                    e131([frame] * 512, universe=universe + 1, sequence=frame % 256, name=name),
                    "10.0.0.1",
                    f"239.255.0.{universe + 1}",
                )
                for universe in range(8)
            ]
            both.feed(packets, [size])
            names = {one.sources[0].source_name for one in (both.plain, both.fast)}
            if not 90 <= frame < 131:
                assert names == {"Desk A" if frame < 90 else "Desk B"}, (size, frame)
        assert both.sent - both.taken < 8 * 13, "what begins, and the change: the same name needs no second look"
