"""Every rule of the table: just under, just over, recovers, and no data at all."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from slotwatch.judge.catalog import CATALOG, FLAPPING
from tests.judge import (
    cases_control,
    cases_elsewhere,
    cases_listener,
    cases_loss,
    cases_patch,
    cases_switches,
    test_bridge,
    test_flow_rules,
    test_lights_left_on,
    test_listener_rules,
    test_unlike_usual,
)
from tests.judge.cases import FROM_S, Case
from tests.judge.stage import START_NS, S, Stage, opened_after_s

CASES = [
    *cases_listener.CASES,
    *cases_loss.CASES,
    *cases_control.CASES,
    *cases_patch.CASES,
    *cases_elsewhere.CASES,
    *cases_switches.CASES,
]
IN_ROWS = {row.rule for row in test_flow_rules.ROWS}
"""Rules that compare a stream's columns: their rows are in that module."""
ELSEWHERE: dict[str, tuple[Callable[..., None], ...]] = {
    # Minutes of silence, on a frozen model; a line needs a second clock.
    "unlike-usual": (
        test_unlike_usual.test_just_under_and_just_over_what_matters,
        test_unlike_usual.test_it_is_over_a_minute_after_the_first_usual_minute,
        test_unlike_usual.test_what_is_not_known_says_nothing,
    ),
    "querier-absent": (test_listener_rules.test_a_querier_that_fell_silent_and_one_that_never_was,),
    "line-differs": (
        test_bridge.test_steps_that_no_eye_sees_are_no_difference,
        test_bridge.test_it_recovers_after_its_off_delay,
        test_bridge.test_no_data_on_either_side_is_no_difference,
    ),
    "line-faulty": (
        test_bridge.test_framing_faults_just_under_and_just_over,
        test_bridge.test_a_line_whose_faults_end_recovers,
        test_bridge.test_a_port_of_which_nothing_is_known_is_neither_faulty_nor_missing,
    ),
    "line-port-missing": (
        test_bridge.test_a_port_that_cannot_be_used_is_reported_after_three_seconds_and_recovers,
        test_bridge.test_a_port_of_which_nothing_is_known_is_neither_faulty_nor_missing,
    ),
    # An hour in the dark.
    "lights-left-on": (
        test_lights_left_on.test_a_level_just_under_and_just_over,
        test_lights_left_on.test_it_is_over_once_the_light_is_out,
        test_lights_left_on.test_a_dark_house_that_hears_nothing_says_nothing,
    ),
    "patch-conflict": (
        cases_patch.test_patches_that_touch_and_that_overlap,
        cases_patch.test_a_patch_that_was_fixed_recovers,
    ),
}
each = pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)


def test_no_rule_is_without_its_rows() -> None:
    assert {case.rule for case in CASES} | IN_ROWS | set(ELSEWHERE) == set(CATALOG) - {FLAPPING.name}


@each
def test_just_under_is_healthy(case: Case) -> None:
    shown = case.stage(case.under()).run(case.watched_s)
    assert case.of(shown) == [], said(shown)
    assert others(case, shown) == set()


@each
def test_just_over_is_reported_in_time_and_recovers(case: Case) -> None:
    shown = case.stage(case.over())
    earliest_s, latest_s = (FROM_S + after_s for after_s in case.opens_s)
    shown.run(max(latest_s + 0.5, case.end_s - 0.1))
    assert len(case.of(shown)) == 1, said(shown)
    (incident,) = case.of(shown)
    assert earliest_s - 0.01 <= opened_after_s(incident) <= latest_s + 0.01
    assert (incident.closed_ns, incident.severity) == (None, case.due)
    assert others(case, shown) == set()
    earliest_s, latest_s = (case.end_s + after_s for after_s in case.closes_s)
    shown.run(latest_s + 0.2)
    (incident,) = case.of(shown)
    assert incident.closed_ns is not None
    assert earliest_s - 0.01 <= (incident.closed_ns - START_NS) / S <= latest_s + 0.01


@each
def test_no_data_at_all_raises_nothing_of_this_kind(case: Case) -> None:
    """A house that hears nothing and gets no observation. A missing universe is another rule's business."""
    sees = case.joined and case.rule != "universe-missing"
    shown = Stage(case.house, joined=sees).run(FROM_S + case.opens_s[1] + 3)
    assert case.of(shown) == []


def others(case: Case, shown: Stage) -> set[str]:
    return {incident.rule for incident in shown.all} - case.beside - {case.rule}


def said(shown: Stage) -> list[tuple[str, str, float]]:
    return [(one.rule, one.summary, opened_after_s(one)) for one in shown.all]
