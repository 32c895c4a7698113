"""The judge of the rehearsals is itself held: a wrong truth, a false alarm and a late word are all found."""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.rehearse.scenario import Truth
from tests.rehearse.theatre import Performance, mismatches, played


@pytest.fixture(scope="module")
def died() -> Performance:
    return played("source-died")[0]


def wrong(performance: Performance, **changes: object) -> str:
    scenario = performance.scenario
    other = replace(scenario, truth=replace(scenario.truth, **changes))  # type: ignore[arg-type]
    return "; ".join(mismatches(replace(performance, scenario=other)))


def test_truth_itself_is_no_mismatch(died: Performance) -> None:
    assert mismatches(died) == []


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({"rule": "packet-loss"}, "missed packet-loss"),
        ({"cause": "network-lost"}, "cause source-lost, not network-lost"),
        ({"universes": ("e131/1",)}, "not ('e131/1',)"),
        ({"severity": "note"}, "critical, not note"),
        ({"due_s": 9.0}, "late: opened"),
        ({"began_s": 12.0}, "early: opened"),
        ({"confidence": "low"}, "claims high, at most low"),
        ({"explains": ("universe-lost",)}, "not explained"),
    ],
)
def test_every_kind_of_mismatch_is_found(died: Performance, changes: dict[str, object], found: str) -> None:
    assert found in wrong(died, **changes)


def test_false_alarm_of_a_healthy_show_is_found(died: Performance) -> None:
    healthy = replace(died.scenario, truth=Truth())
    assert "false alarm: critical universe-lost" in "; ".join(mismatches(replace(died, scenario=healthy)))
