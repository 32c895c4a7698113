"""Pretend desks keep the standards' times; looks and effects do what their names say."""

from __future__ import annotations

from itertools import pairwise

import pytest

from slotwatch.rehearse import packets, stage
from slotwatch.rehearse.chance import Chance
from slotwatch.rehearse.desk import ArtDesk, Desk, SentUniverse
from slotwatch.rehearse.looks import chased, faded, flashed, held, moving
from slotwatch.rehearse.packets import Sent


def sent_of(desk: Desk | ArtDesk, seconds: float) -> list[Sent]:
    return list(desk.sends(seconds))


def data(sent: list[Sent], universe: int) -> list[Sent]:
    return [each for each in sent if each.dst == packets.group(universe)]


def seconds(sent: list[Sent]) -> list[float]:
    return [each.t_ns / 1e9 for each in sent]


def test_static_look_is_sent_once_three_times_more_and_then_kept_alive() -> None:
    """E1.31-2018 6.6.2: three packets with the final values, then one every 800 to 1000 ms."""
    times = seconds(data(sent_of(Desk("a", "192.0.2.10", (SentUniverse(1, held()),)), 10.0), 1))
    gaps = [after - before for before, after in pairwise(times)]
    assert all(gap < 0.03 for gap in gaps[:3])
    assert all(0.8 <= gap <= 1.0 for gap in gaps[3:])
    assert len(gaps) == 3 + 11


def test_idle_art_net_is_kept_alive_each_four_seconds() -> None:
    sent = sent_of(ArtDesk("m", "192.0.2.30", (SentUniverse(0, held()),)), 13.0)
    assert [round(gap) for gap in (b - a for a, b in pairwise(seconds(sent)))] == [0, 0, 0, 4, 4, 4]


def test_art_net_sequence_skips_zero() -> None:
    sent = sent_of(ArtDesk("m", "192.0.2.30", (SentUniverse(0, moving()),)), 10.0)
    numbers = [each.payload[12] for each in sent]
    assert numbers[:2] == [1, 2] and 0 not in numbers and max(numbers) == 255


def test_moving_look_is_sent_at_the_desks_rate_with_each_frame_stepping() -> None:
    sent = data(sent_of(Desk("a", "192.0.2.10", (SentUniverse(1, moving()),)), 5.0), 1)
    assert len(sent) == 200
    for before, after in pairwise(sent):
        assert max(abs(a - b) for a, b in zip(before.payload[126:], after.payload[126:], strict=True)) >= 4


def test_polite_desk_closes_with_three_terminated_packets() -> None:
    sent = data(sent_of(Desk("a", "192.0.2.10", (SentUniverse(1, moving()),), stop_s=2.0, closes=True), 5.0), 1)
    assert [bool(each.payload[112] & 0x40) for each in sent[-4:]] == [False, True, True, True]


def test_sequences_own_shared_and_stuck() -> None:
    outputs = (SentUniverse(1, moving()), SentUniverse(2, moving()))
    own = sent_of(Desk("a", "192.0.2.10", outputs, discovery=False), 0.2)
    shared = sent_of(Desk("a", "192.0.2.10", outputs, discovery=False, sequence="shared"), 0.2)
    stuck = sent_of(Desk("a", "192.0.2.10", outputs, discovery=False, sequence="stuck"), 0.2)
    assert [each.payload[111] for each in data(own, 1)] == list(range(8))
    assert [each.payload[111] for each in data(shared, 1)] == list(range(0, 16, 2))
    assert {each.payload[111] for each in stuck} == {0}


def test_desk_is_the_same_each_time_and_in_order() -> None:
    desk = Desk("a", "192.0.2.10", (SentUniverse(1, moving()), SentUniverse(2, chased(0.5))), sync_hz=40)
    sent = sent_of(desk, 3.0)
    assert sent == sent_of(desk, 3.0)
    assert all(before.t_ns <= after.t_ns for before, after in pairwise(sent))


def test_looks_have_512_slots_and_move_as_named() -> None:
    looks = (held(), moving(), faded(1, 2, 0, 255), chased(0.3))
    assert {len(look(t / 7)) for look in looks for t in range(80)} == {512}
    assert faded(1, 2, 0, 200)(2.0) == bytes((100,)) * 512
    assert [flashed(5)(t / 10) for t in range(4)] == [b"\xff", b"\0", b"\xff", b"\0"]


def test_chance_is_split_mix() -> None:
    """Published first outputs of SplitMix64 for seed 1234567 (the generator's reference test values)."""
    chance = Chance(1234567)
    assert [chance.word() for _ in range(3)] == [6457827717110365317, 3203168211198807973, 9817491932198370423]


@pytest.mark.parametrize("ratio", [0.01, 0.2])
def test_loss_takes_its_share(ratio: float) -> None:
    sent = sent_of(Desk("a", "192.0.2.10", (SentUniverse(1, moving()),)), 100.0)
    left = list(stage.lossy(sent, ratio, 7))
    assert 1 - len(left) / len(sent) == pytest.approx(ratio, rel=0.25)


def test_effects_keep_time_in_order() -> None:
    sent = sent_of(Desk("a", "192.0.2.10", (SentUniverse(1, moving()),)), 5.0)
    for changed in (
        stage.swapped(sent, 0.1, 0.03, 5),
        stage.clumped(sent, 0.1024),
        stage.doubled(sent, 2, 0.0001),
        stage.cut(sent, 1.0, 2.0),
        stage.capped(sent, 20),
    ):
        items = list(changed)
        assert all(before.t_ns <= after.t_ns for before, after in pairwise(items))
    assert len(list(stage.doubled(sent, 2, 0.0001))) == 3 * len(sent)
    assert len(list(stage.cut(sent, 1.0, 2.0, stage.universes(1)))) == len(sent) - 40
