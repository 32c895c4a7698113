"""Hostile sequences through the whole engine: a bounded run of `tests.fuzz.sequences`."""

from __future__ import annotations

import pytest

from slotwatch.edge.shared.compiled import load
from tests.compiling import Built
from tests.fuzz.sequences import Show


@pytest.mark.parametrize("number", range(1, 7))
def test_a_show_under_attack_holds_and_recovers(number: int, built: Built) -> None:
    """Tables stay bounded, nothing raises, time is an argument, and every incident closes once its cause has ended."""
    Show(number, built(load) if number % 2 else None).run()
