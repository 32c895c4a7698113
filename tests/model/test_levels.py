"""How far levels move: the short way over the words that differ says what the long way over all slots says."""

from __future__ import annotations

import numpy as np
import pytest

from slotwatch.model import levels


@pytest.mark.parametrize("slots", [0, 1, 3, 100, 512])
def test_the_largest_step_is_the_same_both_ways(slots: int) -> None:
    chance = np.random.default_rng(slots)
    before = chance.integers(0, 256, (300, 512), np.uint8)
    now = before.copy()
    for row in range(0, 300, 2):
        which = chance.choice(512, slots, replace=False)
        now[row, which] = chance.integers(0, 256, slots)
    wanted = np.abs(now.astype(int) - before).max(1)
    words = levels.differing_words(now, before)
    assert levels.any_word(words).tolist() == (wanted > 0).tolist()
    assert levels.differing(now, before).tolist() == (wanted > 0).tolist()
    assert levels.largest_steps(now, before, words).tolist() == wanted.tolist()
    assert levels.largest_steps(now, before).tolist() == wanted.tolist()


@pytest.mark.parametrize("kinds", [[1], [1, 2, 24], [512], [24, 511, 512]])
@pytest.mark.parametrize("firsts", [[126], [126, 18]])
def test_levels_are_the_slots_that_were_sent_and_then_zeros(kinds: list[int], firsts: list[int]) -> None:
    """Slot by slot. Slots begin at byte 126 of E1.31 (E1.31-2018 table 4-1) and 18 of Art-Net (Art-Net 4, ArtDmx)."""
    chance = np.random.default_rng(len(kinds) + len(firsts))
    data = chance.integers(0, 256, (300, 1216), np.uint8)
    rows = chance.choice(300, 90, replace=False)
    first, slots = (chance.choice(of, 90).astype(np.uint16) for of in (firsts, kinds))
    found = levels.gather(data, rows, first, slots)
    for place, (row, begin, count) in enumerate(zip(rows.tolist(), first.tolist(), slots.tolist(), strict=True)):
        assert found[place].tolist() == [*data[row, begin : begin + count].tolist(), *[0] * (512 - count)]
