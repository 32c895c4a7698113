"""A reload of the house file in the middle of a fault changes nothing of what is reported."""

from __future__ import annotations

import pytest

from slotwatch.rehearse.catalogue import SCENARIOS
from tests.rehearse.reloads import BEGINS_AGAIN, differences
from tests.rehearse.theatre import perform, played

NAMES = ("glare-held", "main-died-backup-sends", "non-dim-on-dimmer-way", "two-desks-one-priority")
"""Memory of levels, of streams, of a dwell, and of pairs of sources."""


@pytest.mark.parametrize("name", NAMES)
def test_a_fault_is_reported_alike_whatever_is_reloaded(name: str) -> None:
    assert not differences(SCENARIOS[name])


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(SCENARIOS.keys() - BEGINS_AGAIN.keys())[::12])
def test_every_twelfth_scenario_is_reported_alike(name: str) -> None:
    """All of them: `python -m tests.rehearse.reloads`."""
    assert not differences(SCENARIOS[name])


@pytest.mark.parametrize("name", BEGINS_AGAIN)
def test_what_is_counted_by_place_is_reported_later(name: str) -> None:
    scenario = SCENARIOS[name]
    (alone, _), again = played(name), perform(scenario, reload_s=(scenario.truth.due_s - 1.3,))
    assert [(one.rule, one.summary) for one in again.incidents] == [(one.rule, one.summary) for one in alone.incidents]
