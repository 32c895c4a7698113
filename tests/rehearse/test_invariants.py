"""No sentence contradicts another: over drawn shows with up to three faults."""

from __future__ import annotations

import pytest

from slotwatch.rehearse.anytrouble import any_trouble
from tests.rehearse.invariants import violations
from tests.rehearse.theatre import perform

SEEDS = (*range(1, 9), 17, 20, 24, 28, 35, 37)
"""Drawn shows that are kept; `python -m tests.rehearse.contradictions` plays more, and all scenarios."""


@pytest.mark.parametrize("seed", SEEDS)
def test_drawn_trouble_is_reported_without_contradiction(seed: int) -> None:
    found: list[str] = []
    perform(any_trouble(seed), look=lambda snapshot: found.extend(violations(snapshot)))
    assert not found, found[:5]
