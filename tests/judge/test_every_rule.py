"""Every rule of the table: just under, just over, recovers, and no data at all."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from copy import copy
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules

import pytest

import tests.judge
from slotwatch.house.rule_names import RULE_NAMES, WITHOUT_UNIVERSES
from slotwatch.house.schema import House
from slotwatch.judge.catalog import CATALOG, FLAPPING
from slotwatch.snapshot import Incident
from tests.judge import (
    cases_patch,
    test_bridge,
    test_flow_rules,
    test_lights_left_on,
    test_listener_rules,
    test_unlike_usual,
)
from tests.judge.cases import FROM_S, Case
from tests.judge.stage import START_NS, S, Stage, opened_after_s

CASE_MODULES = [
    import_module(f"{tests.judge.__name__}.{one.name}")
    for one in iter_modules(tests.judge.__path__)
    if one.name.startswith("cases_")
]
"""Each has rows in `CASES`, and may have rows of numbers in `MOVED`: a new rule brings a module of its own."""
CASES: list[Case] = [case for module in CASE_MODULES for case in module.CASES]
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
FIRST = {case.rule: case for case in reversed(CASES)}
"""The first row of each rule."""
SENTENCES: dict[str, str] = {
    **tomllib.loads((Path(__file__).parent / "sentences.toml").read_text(encoding="utf-8")),
    **{case.rule: case.sentence for case in CASES if case.sentence},
}
each = pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)


def test_no_rule_is_without_its_rows() -> None:
    tested = {case.rule for case in CASES} | IN_ROWS | set(ELSEWHERE)
    assert tested == set(CATALOG) - {FLAPPING.name}, "add CASES to tests/judge/cases_<rule_name>.py"


@each
def test_just_under_is_healthy(case: Case) -> None:
    shown = case.stage(case.under()).run(case.watched_s)
    assert case.of(shown) == [], reported(shown)
    assert others(case, shown) == set()


@dataclass(frozen=True)
class Course:
    """What is just over, played once for all tests that look at it."""

    case: Case
    at_first: list[Incident]
    """The rule's incidents as soon as it is raised."""
    at_last: list[Incident]
    """As the fault ends."""
    closed: list[Incident]
    beside: set[str]
    """Other rules that were raised while the fault lasted."""


@pytest.fixture(scope="module", params=CASES, ids=lambda case: case.name)
def course(request: pytest.FixtureRequest) -> Course:
    case: Case = request.param
    shown = case.stage(case.over())
    # An incident continues to change: each list holds copies of that moment.
    at_first = [copy(one) for one in case.of(shown.run(FROM_S + case.opens_s[1] + 0.05))]
    at_last = [copy(one) for one in case.of(shown.run(max(FROM_S + case.opens_s[1] + 0.5, case.end_s - 0.1)))]
    beside = others(case, shown)
    return Course(case, at_first, at_last, case.of(shown.run(case.end_s + case.closes_s[1] + 0.2)), beside)


COUNTS_ON = frozenset({"host-overrun", "damaged-packets", "malformed-packets", "too-many-sources", "source-conflict"})
"""Rules whose numbers rise while the fault lasts: their words change as often as they count."""


def test_what_lasts_unchanged_is_not_put_into_other_words_each_second(course: Course) -> None:
    """Each revision is written into the history and sent to every reader."""
    if course.case.rule not in COUNTS_ON:
        lasted_s = course.case.end_s - FROM_S - course.case.opens_s[1]
        revisions = [
            last.revision - first.revision for first, last in zip(course.at_first, course.at_last, strict=True)
        ]
        assert max(revisions) <= 3 + lasted_s / 4, (
            f"say no figure that changes, or refresh_s: {course.at_last[0].summary}"
        )


def test_just_over_is_reported_in_time_and_in_its_words(course: Course) -> None:
    """The sentence is in its row or in sentences.toml; of a rule's several rows the first shows it."""
    earliest_s, latest_s = (FROM_S + after_s for after_s in course.case.opens_s)
    assert len(course.at_last) == 1, course.at_last
    (incident,) = course.at_last
    assert earliest_s - 0.01 <= opened_after_s(incident) <= latest_s + 0.01
    assert (incident.closed_ns, incident.severity) == (None, course.case.due)
    assert incident.evidence, "every incident shows its evidence"
    assert course.beside == set()
    if course.case is FIRST[course.case.rule]:
        assert [one.summary for one in course.at_first] == [SENTENCES[course.case.rule]]


def test_it_recovers_in_time(course: Course) -> None:
    earliest_s, latest_s = (course.case.end_s + after_s for after_s in course.case.closes_s)
    (incident,) = course.closed
    assert incident.closed_ns is not None
    assert earliest_s - 0.01 <= (incident.closed_ns - START_NS) / S <= latest_s + 0.01


def test_a_rule_whose_incidents_name_no_universe_is_listed_as_such(course: Course) -> None:
    """`check` refuses an exception of these for some universes: it would never hold."""
    (found,) = course.at_last
    if course.case.rule in WITHOUT_UNIVERSES:
        assert found.universes == ()
    assert WITHOUT_UNIVERSES < RULE_NAMES
    assert FLAPPING.name not in RULE_NAMES


@each
def test_no_data_at_all_raises_nothing_of_this_kind(case: Case) -> None:
    """A house that hears nothing and gets no observation. A missing universe is another rule's business."""
    assert case.of(unheard(case.house, may_join(case))) == []


@cache
def unheard(house: House, joined: bool) -> Stage:
    """Such a house, until three seconds after the last of its cases would be raised."""
    cases = [one for one in CASES if (one.house, may_join(one)) == (house, joined)]
    return Stage(house, joined=joined).run(FROM_S + max(one.opens_s[1] for one in cases) + 3)


def may_join(case: Case) -> bool:
    return case.joined and case.rule != "universe-missing"


def others(case: Case, shown: Stage) -> set[str]:
    return {incident.rule for incident in shown.all} - case.beside - {case.rule}


def reported(shown: Stage) -> list[tuple[str, str, float]]:
    return [(one.rule, one.summary, opened_after_s(one)) for one in shown.all]
