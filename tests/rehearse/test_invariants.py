"""No sentence contradicts another: over every scenario, and over drawn shows with up to three faults."""

from __future__ import annotations

import pytest

from slotwatch.rehearse.anytrouble import any_trouble
from slotwatch.rehearse.catalogue import SCENARIOS
from tests.rehearse.invariants import violations
from tests.rehearse.theatre import perform

SEEDS = (*range(1, 13), 17, 23)
"""Drawn shows that are kept; `python -m tests.rehearse.contradictions` plays more."""


@pytest.mark.parametrize("seed", SEEDS)
def test_drawn_trouble_is_told_without_contradiction(seed: int) -> None:
    found: list[str] = []
    perform(any_trouble(seed), look=lambda snapshot: found.extend(violations(snapshot)))
    assert not found, found[:5]


@pytest.mark.parametrize("name", SCENARIOS)
def test_scenario_is_told_without_contradiction(name: str) -> None:
    found: list[str] = []
    perform(SCENARIOS[name], resting=True, look=lambda snapshot: found.extend(violations(snapshot)))
    assert not found, found[:5]
