"""Healthy shows that a seed draws: nothing louder than a note may be said of any of them."""

from __future__ import annotations

import pytest

from slotwatch.rehearse.anyshow import any_show
from tests.rehearse.theatre import mismatches, perform


@pytest.mark.parametrize("seed", range(1, 9))
def test_drawn_show_is_judged_healthy(seed: int) -> None:
    assert not mismatches(perform(any_show(seed)))
