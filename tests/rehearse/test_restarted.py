"""A restart of the daemon in the middle of a fault: the same incidents continue, and no sentence contradicts
another."""

from __future__ import annotations

import pytest

from slotwatch.rehearse.anytrouble import any_trouble
from slotwatch.rehearse.catalogue import SCENARIOS
from slotwatch.rehearse.scenario import Scenario
from slotwatch.snapshot import Severity, Snapshot, UniverseState
from tests.rehearse.invariants import violations
from tests.rehearse.restarts import LOST_WITH_IT, differences, unexplained
from tests.rehearse.theatre import perform, played, seconds

GONE = {"universe-lost", "universe-missing"}
LASTING = (
    "not-all-back",
    "universe-withdrawn",
    "lead-of-main-on-first-network",
    "listener-leads-swapped",
    "port-start-delay",
)
"""Each of them once was two incidents, or two beginnings, after a restart."""
AWAY_S, AFTER_DUE_S = 2.0, 2.5


def contradictions_over_a_restart(scenario: Scenario, stopped_s: float) -> list[str]:
    """Every invariant that a snapshot breaks, each second, before and after."""
    found: list[str] = []
    perform(
        scenario,
        look=lambda snapshot: found.extend(violations(snapshot)),
        restart_s=(stopped_s, stopped_s + AWAY_S),
    )
    return found


@pytest.mark.parametrize("name", LASTING)
def test_a_fault_that_lasts_over_a_restart_is_the_same_incident(name: str) -> None:
    scenario = SCENARIOS[name]
    stopped_s = scenario.truth.due_s + 2.5
    (alone, _), restarted = played(name), perform(scenario, restart_s=(stopped_s, stopped_s + AWAY_S))
    found = [(one.id, one.rule, one.began_ns) for one in restarted.alarms()]
    # What was lost before it is missing after it: the new judgement never heard it.
    expected = [
        (one.id, "universe-missing" if one.rule in GONE and one.rule != found[0][1] else one.rule, one.began_ns)
        for one in alone.alarms()
    ]
    assert found == expected


ALIKE = (
    "clean-stop",
    "one-universe-closed",
    "one-universe-stops-listed",
    "unicast-universe-stops",
    "lead-of-main-with-backup",
    "lead-of-backup",
    "lead-out-and-another-desk-dead-at-once",
    "lead-out-on-one-network-and-losses-on-the-other",
    "switch-of-one-network-dead",
    "desk-dead-on-both-networks",
    "main-dead-and-losses-of-the-backup",
    "keep-alive-too-slow",
    "lost-on-the-way-here",
    "desk-port-counts-errors",
    "lead-of-declared-network-alone",
    "sync-stops",
)
"""Each of them once was reported otherwise after a restart, or is a kind of its own. All faults are compared by
`python -m tests.rehearse.restarts`, which takes some ten minutes."""


@pytest.mark.slow
@pytest.mark.parametrize("name", ALIKE)
def test_a_fault_is_reported_alike_with_and_without_a_restart(name: str) -> None:
    assert not differences(SCENARIOS[name])


@pytest.mark.slow
@pytest.mark.parametrize("name", LOST_WITH_IT)
def test_what_nobody_knows_after_a_restart_is_no_contradiction(name: str) -> None:
    scenario = SCENARIOS[name]
    found = differences(scenario)
    assert not unexplained(name, found)
    assert all(any(line.startswith(begin) for line in found) for begin in LOST_WITH_IT[name][1]), "known after all"
    wrong = contradictions_over_a_restart(scenario, scenario.truth.due_s + AFTER_DUE_S)
    assert not wrong, wrong[:5]


def test_art_net_that_fell_silent_just_before_a_restart_is_missing_after_it() -> None:
    """Nothing joins Art-Net: that it is visible from this port is known from the history alone."""
    states: list[tuple[float, int]] = []

    def look(snapshot: Snapshot) -> None:
        row = snapshot.universe_names.index("artnet/0")
        states.append((seconds(snapshot.now_ns), int(snapshot.universes["state"][row])))

    performance = perform(SCENARIOS["all-sources-end"], look=look, restart_s=(15.0, 17.0))
    (missing,) = [one for one in performance.alarms() if "artnet/0" in one.universes]
    assert (missing.rule, missing.severity) == ("universe-missing", Severity.CRITICAL)
    assert "heard before the restart of this listener" in missing.summary
    assert UniverseState.NOT_VISIBLE not in {state for at_s, state in states if at_s > 17.5}
    assert UniverseState.MISSING in {state for at_s, state in states if at_s > 30.0}


@pytest.mark.parametrize("seed", (2, 5, 7, 11, 24, 37))
def test_drawn_trouble_is_reported_without_contradiction_over_a_restart(seed: int) -> None:
    trouble = any_trouble(seed)
    found = contradictions_over_a_restart(trouble, trouble.seconds / 2)
    assert not found, found[:5]


def test_an_absent_main_is_one_incident_over_a_restart_though_its_backup_restarted_too() -> None:
    trouble = any_trouble(37)
    restarted = perform(trouble, restart_s=(25.0, 27.0))
    absent = [one for one in restarted.incidents if one.rule in ("source-absent", "backup-in-control")]
    assert [(one.rule, one.cause, one.closed_ns) for one in absent] == [("source-absent", "source-lost", None)]
