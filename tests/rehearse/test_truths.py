"""Every rehearsed scenario against its truth, through the real decoder and engine, in simulated time.

The packets are built from the standards' tables by the rehearsal alone; the truths rest on the fault
catalogue of docs/faults.md. What is asserted: rule, cause, universes, severity, confidence, and detection
within 0.1 s of the rule's own time; of a healthy show, that nothing more severe than a note is raised.
"""

from __future__ import annotations

import pytest

from slotwatch.rehearse.catalogue import SCENARIOS
from tests.rehearse.invariants import violations
from tests.rehearse.theatre import mismatches, perform, played

FIRST_OF_RULES = {one.truth.rule: one.name for one in reversed(SCENARIOS.values()) if one.truth.rule}.values()
HEALTHY = [one.name for one in SCENARIOS.values() if one.is_healthy]
LONG = {"worse-than-usual", "desk-port-counts-errors"}
"""Plays of minutes, over two seconds of CPU each."""
QUICK = {*FIRST_OF_RULES, *HEALTHY[::2]} - LONG
"""Every other healthy show and a scenario of nearly each rule. The others are slow, and all with close passes are."""


@pytest.mark.parametrize("name", SCENARIOS)
@pytest.mark.slow
def test_scenario_is_reported_as_it_is_and_without_contradiction(name: str) -> None:
    """The invariants need no pass of their own: they look at a snapshot a second of this one."""
    performance, contradictions = played(name)
    assert not mismatches(performance)
    assert not contradictions, contradictions[:5]


@pytest.mark.parametrize(
    "name", [pytest.param(one, marks=() if one in QUICK else pytest.mark.slow) for one in SCENARIOS]
)
def test_scenario_is_reported_as_it_is_while_the_daemon_idles_between_turns(name: str) -> None:
    contradictions: list[str] = []
    performance = perform(
        SCENARIOS[name], resting=True, look=lambda snapshot: contradictions.extend(violations(snapshot))
    )
    assert not mismatches(performance)
    assert not contradictions, contradictions[:5]


def test_catalogue_is_as_large_as_promised() -> None:
    assert len(SCENARIOS) - len(HEALTHY) >= 60
    assert len(HEALTHY) >= 20
