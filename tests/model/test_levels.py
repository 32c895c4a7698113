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
