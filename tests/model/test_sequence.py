"""Sequence numbers against a slow reading of the rule, and the habits of senders that break it."""

from __future__ import annotations

import pytest

from slotwatch.model.sequence import SequenceVerdict, Series, difference, difference_skipping_zero, is_discarded

# ANSI E1.31-2018 6.7.2 with A last accepted and B new; the examples of the project's notes on the standard.
RULE = [
    (10, 11, False),
    (255, 0, False),
    (250, 5, False),
    (10, 10, True),
    (10, 9, True),
    (10, 247, True),
    (10, 246, False),
    (0, 236, False),
    (0, 128, False),
    (5, 250, True),
    # Late packets right after the wrap: where comparing without 8 bits goes wrong.
    (0, 237, True),
    (0, 255, True),
]


def slow_rule(last: int, new: int) -> bool:
    """6.7.2 as written: subtract in signed 8-bit arithmetic, discard if the result is over -20 and not over 0."""
    octet = (new - last) & 0xFF
    signed = octet if octet < 128 else octet - 256
    return signed <= 0 and signed > -20


@pytest.mark.parametrize(("last", "new", "discarded"), RULE)
def test_rule_of_the_standard(last: int, new: int, discarded: bool) -> None:
    assert is_discarded(last, new) is discarded


def test_all_65536_pairs_agree_with_the_rule_as_written() -> None:
    wrong = [(a, b) for a in range(256) for b in range(256) if is_discarded(a, b) != slow_rule(a, b)]
    assert wrong == []


def test_without_8_bits_190_pairs_would_differ() -> None:
    """Pins that the wrap is tested at all: the count was computed by hand."""
    plain = [(a, b) for a in range(256) for b in range(256) if (not (b - a > 0 or b - a <= -20)) != slow_rule(a, b)]
    assert len(plain) == 190


def take_all(numbers: list[int], *, skips_zero: bool = False) -> tuple[Series, list[SequenceVerdict]]:
    series = Series(skips_zero=skips_zero)
    return series, [series.take(number, False) for number in numbers]


def test_every_pair_in_a_series_is_judged_by_the_rule() -> None:
    for last in range(256):
        for new in range(256):
            series = Series(skips_zero=False)
            series.take(last, False)
            verdict = series.take(new, False)
            assert (verdict in (SequenceVerdict.LATE, SequenceVerdict.REPEAT)) == slow_rule(last, new), (last, new)


def test_discarded_numbers_do_not_become_the_last_one() -> None:
    series, verdicts = take_all([10, 5, 6, 11])
    assert verdicts == [SequenceVerdict.ACCEPT, SequenceVerdict.LATE, SequenceVerdict.LATE, SequenceVerdict.ACCEPT]
    assert series.accepted == 11


def test_missing_numbers_are_counted_across_the_wrap() -> None:
    series, _ = take_all([n % 256 for n in range(240, 280) if n not in (250, 256, 257)])
    assert series.lost == 3


def test_a_late_number_was_not_lost() -> None:
    numbers = list(range(30))
    numbers[20], numbers[21] = numbers[21], numbers[20]
    series, verdicts = take_all(numbers)
    assert verdicts[21] is SequenceVerdict.LATE
    assert series.lost == 0


def test_a_step_of_127_or_more_says_nothing_about_loss() -> None:
    assert take_all([*range(20), 19 + 126])[0].lost == 125
    assert take_all([*range(20), 19 + 127])[0].lost == 0


def test_a_jump_back_of_20_or_more_is_a_restart_without_loss() -> None:
    series, verdicts = take_all([*range(100, 120), 3, 4, 5])
    assert set(verdicts) == {SequenceVerdict.ACCEPT}
    assert series.lost == 0


def test_a_number_that_never_changes_is_stuck_after_ten_packets_and_never_loss() -> None:
    series, _ = take_all([7] * 9)
    assert not series.is_stuck
    series.take(7, False)
    assert series.is_stuck and not series.is_measurable and series.lost == 0
    series.take(8, False)
    assert not series.is_stuck


@pytest.mark.parametrize("back_at", [58, 100, 180])
def test_a_stuck_number_that_moves_again_says_nothing_of_loss(back_at: int) -> None:
    series, _ = take_all([*range(58), *[57] * 200, *(number % 256 for number in range(back_at, back_at + 50))])
    assert not series.is_stuck and series.lost == 0


def test_steps_by_the_number_of_universes_are_a_habit_and_no_loss() -> None:
    series, _ = take_all([index * 12 % 256 for index in range(60)])
    assert series.common_step == 12
    assert not series.is_measurable
    assert series.lost == 0


def test_one_step_among_losses_stays_the_common_one() -> None:
    kept = [number % 256 for number in range(400) if number % 3]
    series, _ = take_all(kept)
    assert series.is_measurable
    # Of 0, 3 … 399 the first came before the series was known and the last after it ended.
    assert series.lost == 132


def test_artnet_numbers_wrap_from_255_to_1() -> None:
    assert difference_skipping_zero(255, 1) == 1
    assert difference_skipping_zero(1, 255) == -1
    numbers = [(index % 255) + 1 for index in range(600)]
    series, verdicts = take_all(numbers, skips_zero=True)
    assert series.lost == 0 and set(verdicts) == {SequenceVerdict.ACCEPT}


def test_artnet_zero_is_not_used_and_not_measurable() -> None:
    series, verdicts = take_all([0] * 50, skips_zero=True)
    assert set(verdicts) == {SequenceVerdict.ACCEPT}
    assert not series.is_measurable and not series.is_stuck and series.lost == 0


def test_artnet_zero_says_nothing_of_the_steps_between_numbers() -> None:
    """The Sequence field of ArtDmx: 0x00 disables the feature."""
    series, _ = take_all([*range(1, 21), *[0] * 80], skips_zero=True)
    assert series.common_step == 1 and not series.is_measurable
    for number in range(100, 120):
        series.take(number, False)
    assert series.is_measurable and series.lost == 0
    series.take(122, False)
    assert series.lost == 2


def test_artnet_with_an_unchanging_number_is_used() -> None:
    _, verdicts = take_all([5] * 12, skips_zero=True)
    assert verdicts[1:] == [SequenceVerdict.REPEAT_OBEYED] * 11


def test_signed_difference_covers_minus_128_to_127() -> None:
    assert [difference(0, new) for new in (0, 1, 127, 128, 255)] == [0, 1, 127, -128, -1]
