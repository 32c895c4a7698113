"""Healthy shows that a seed draws: none of them may raise more than a note."""

from __future__ import annotations

import pytest

from slotwatch.rehearse.anyshow import any_show
from tests.rehearse.theatre import mismatches, perform


@pytest.mark.parametrize("seed", range(1, 9))
def test_drawn_show_is_judged_healthy(seed: int) -> None:
    assert not mismatches(perform(any_show(seed)))
