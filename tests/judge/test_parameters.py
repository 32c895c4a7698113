"""Every published number is judged with: at another value the judgement changes there, and no other rule's does.

The delays of all rules are moved by the same time; each other number has a row with what is just under and just over
its new value. The values are chosen here, so that no number can be right by chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

import pytest

from slotwatch.judge.catalog import CATALOG, RULES
from slotwatch.judge.parameters import RuleParameters
from slotwatch.judge.rule import Rule
from slotwatch.judge.rule_state import all_states
from slotwatch.snapshot import Incident
from tests.judge import (
    moved_control,
    moved_flapping,
    moved_flow,
    moved_loss,
    moved_network,
    moved_patch,
    moved_rivals,
    moved_self,
    test_unlike_usual,
)
from tests.judge.cases import FROM_S, Case, with_numbers
from tests.judge.moved import Moved
from tests.judge.stage import START_NS, S, opened_after_s
from tests.judge.still import one_stream
from tests.judge.test_catalog import EVERYTHING
from tests.judge.test_every_rule import CASE_MODULES, CASES, reported
from tests.judge.test_flow_rules import ROWS, WELL, Row, house_of

LATER_S = 2.0
"""Whole seconds, since some rules are looked at once a second."""
TIMED = {state.rule.name for state in all_states(EVERYTHING, RULES) if state.binding.timed}
"""Rules that say themselves since when they hold: their on-delay runs together with their own time, not after it."""
MAY_TAKE_OVER = {"networks-swapped", "preview-only"}
"""Rules that may take over an incident that was opened as another rule's."""
STEP_S = 0.1
DELAYS = {one.name for one in fields(RuleParameters)}
FIRST_CASES = list({case.rule: case for case in reversed(CASES)}.values())
FIRST_ROWS = list({row.rule: row for row in reversed(ROWS)}.values())
MOVED = [
    *moved_flapping.FLAPPING,
    *moved_self.SELF,
    *moved_network.NETWORK,
    *moved_loss.LOSS,
    *moved_patch.PATCH,
    *moved_patch.LOADS,
    *moved_control.CONTROL,
    *moved_flow.FLOW,
    *moved_rivals.RIVALS,
    *(row for module in CASE_MODULES for row in getattr(module, "MOVED", ())),
    *test_unlike_usual.MOVED,
]
UNITS = ("_s", "_ms", "_us", "_hz", "_ratio", "_percent", "_level", "_frames", "_slots")


def test_every_number_has_its_row() -> None:
    """The delays of `flapping` are rows too: it has no condition, so the test of all rules' delays leaves it out."""
    numbers = {(rule.name, one.name) for rule in RULES for one in fields(rule.parameters)}
    own = {(rule, name) for rule, name in numbers if name not in DELAYS} | {("flapping", "off_delay_s")}
    assert own == {(row.rule, row.parameter) for row in MOVED}, "add MOVED to tests/judge/cases_<rule_name>.py"


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_a_numbers_name_has_its_unit(rule: Rule) -> None:
    """What is no count is measured in something."""
    for one in fields(rule.parameters):
        assert one.type == "int" or one.name.endswith(UNITS), one.name


@pytest.mark.slow
@pytest.mark.parametrize("case", FIRST_CASES, ids=lambda case: case.rule)
def test_both_delays_are_the_rules_own(case: Case) -> None:
    rule = CATALOG[case.rule]
    on_delay_s = (case.opens_s[1] if case.rule in TIMED else rule.on_delay_s) + LATER_S
    later = with_numbers(case.rule, on_delay_s=on_delay_s, off_delay_s=rule.off_delay_s + LATER_S)
    shown = case.stage(case.over(), later)
    # An incident may have been opened as another rule's before: what counts is when it has this one's name.
    earliest_s, latest_s = (FROM_S + LATER_S + after_s for after_s in case.opens_s)
    named_s = FROM_S
    while not case.of(shown) and named_s <= latest_s:
        named_s += STEP_S
        shown.run(named_s)
    shown.run(case.end_s + case.closes_s[1] + LATER_S + 0.2)
    assert len(case.of(shown)) == 1, reported(shown)
    (incident,) = case.of(shown)
    assert earliest_s - 0.01 <= named_s <= latest_s + 0.11 + STEP_S
    if opened_after_s(incident) >= earliest_s - 0.01:
        assert opened_after_s(incident) <= latest_s + 0.11
    else:
        assert case.rule in MAY_TAKE_OVER, "its incident was opened as another rule's"
    assert incident.closed_ns is not None
    earliest_s, latest_s = (case.end_s + LATER_S + after_s for after_s in case.closes_s)
    assert earliest_s - 0.11 <= (incident.closed_ns - START_NS) / S <= latest_s + 0.01


@pytest.mark.slow
@pytest.mark.parametrize("row", FIRST_ROWS, ids=lambda row: row.rule)
def test_both_delays_are_the_rules_own_where_columns_are_compared(row: Row) -> None:
    rule = CATALOG[row.rule]
    later = with_numbers(row.rule, on_delay_s=rule.on_delay_s + LATER_S, off_delay_s=rule.off_delay_s + LATER_S)
    still = one_stream(house_of((1,)), rules=later)
    still.run(7.0, **WELL)
    since_ns = still.now_ns
    still.run(4.0, **{**WELL, **row.always, **row.over})
    (incident,) = still.of(row.rule)
    assert 0 <= (incident.opened_ns - since_ns) / S - rule.on_delay_s - LATER_S <= 0.2
    since_ns = still.now_ns
    still.run(rule.off_delay_s + LATER_S + 0.5, **WELL)
    (incident,) = still.of(row.rule)
    assert incident.closed_ns is not None
    assert -0.1 <= (incident.closed_ns - since_ns) / S - rule.off_delay_s - LATER_S <= 0.2


@pytest.mark.slow
@pytest.mark.parametrize("row", MOVED, ids=lambda row: f"{row.rule} {row.parameter}")
def test_the_judgement_changes_at_the_new_value_and_nowhere_else(row: Moved) -> None:
    moved = with_numbers(row.rule, **{row.parameter: row.value})
    under, over = row.both(moved)
    assert not row.tells(of(row, under)), facts(under)
    assert row.tells(of(row, over)), facts(over)
    before = row.both(RULES)
    assert [row.tells(of(row, one)) for one in before] != [False, True], "it is the same at the old value"
    for moved_, before_ in zip((under, over), before, strict=True):
        assert others(row, moved_) == others(row, before_)


def of(row: Moved, incidents: Sequence[Incident]) -> list[Incident]:
    return [one for one in incidents if one.rule == row.shown_by]


def others(row: Moved, incidents: Sequence[Incident]) -> list[tuple[object, ...]]:
    """All that other rules say; what this one explains is left out."""
    explained = {rule for one in incidents for rule, _ in one.explains} | row.beside
    return [
        (one.rule, one.cause, one.severity, one.opened_ns, one.closed_ns)
        for one in incidents
        if one.rule != row.shown_by and one.rule not in explained
    ]


def facts(incidents: Sequence[Incident]) -> list[tuple[str, str, str, float]]:
    return [(one.rule, one.cause, one.summary, opened_after_s(one)) for one in incidents]
