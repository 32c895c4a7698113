"""A rule that needs close passes asks for them: with the daemon's own pauses each is raised in its time.

Rules that compare columns of a frozen model are tried by `tests/rehearse`, which plays every scenario with
these pauses as well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from slotwatch.judge.binding import RuleBinding, RuleSetup
from slotwatch.judge.catalog import RULES
from slotwatch.judge.parameters import RuleParameters
from slotwatch.judge.rule import Judging, Rule
from slotwatch.judge.rule_state import all_states
from tests.judge.cases import FROM_S, Case
from tests.judge.resting import Resting
from tests.judge.stage import S, opened_after_s
from tests.judge.test_catalog import EVERYTHING
from tests.judge.test_every_rule import CASES, reported

STATES = all_states(EVERYTHING, RULES)
WARY = {state.rule.name for state in STATES if state.binding.is_wary is not None}
RARE = {state.rule.name for state in STATES if state.binding.every_ns >= S}
"""Looked at once a second: the next look comes after the rest."""
TRIED = list({case.rule: case for case in reversed(CASES)}.values())
BY_OTHERS = {
    "slow-refresh": "a rest of a few frames is seen; tests/rehearse plays a desk that rests in a moving show",
    "uneven-refresh": "gaps are counted by the model; tests/rehearse plays them",
    "querier-absent": "its play takes minutes; tests/rehearse has it",
    "line-differs": "tests/judge/test_bridge.py asserts that passes stay close",
    "source-conflict": "levels of the last 200 ms are compared; tests/rehearse plays backups in motion",
    "duplicate-identity": "numbers drift through one another; tests/rehearse plays it",
    "skewed-universes": "single steps are measured between 0.3 and 0.6 s after them: a rest can miss one and not all",
}
"""Rules with `is_wary` whose table play is in time without it, and who tries them."""
UNLUCKY_TICK = 7
"""A first pass whose pauses end just before the moments of the table's plays."""


def played(case: Case, rules: tuple[Rule, ...] = RULES) -> Resting:
    play = case.over()
    senders = (one for one in play if not isinstance(one, tuple))
    shown = Resting(case.house, *senders, joined=case.joined, rules=rules)
    shown.first_tick = UNLUCKY_TICK
    for one in play:
        if isinstance(one, tuple):
            shown.see(*one)
    return shown.run(FROM_S + case.opens_s[1] + 1.0)


def is_in_time(case: Case, shown: Resting) -> bool:
    latest_s = case.opens_s[1] + (0.5 if case.rule in RARE else 0.11)
    opened = [opened_after_s(one) - FROM_S for one in case.of(shown)]
    return len(opened) == 1 and case.opens_s[0] - 0.01 <= opened[0] <= latest_s


@pytest.mark.slow
@pytest.mark.parametrize("case", TRIED, ids=lambda case: case.name)
def test_it_is_raised_in_time_while_the_daemon_idles_between_turns(case: Case) -> None:
    shown = played(case)
    assert is_in_time(case, shown), f"not in {case.opens_s} after {FROM_S} s: does it need is_wary? {reported(shown)}"


@pytest.mark.slow
@pytest.mark.parametrize(
    "case", [one for one in TRIED if one.rule in WARY - BY_OTHERS.keys()], ids=lambda one: one.name
)
def test_it_would_be_late_if_it_did_not_say_so(case: Case) -> None:
    rules = tuple(replace(one, judged_by=Unwary(one.judged_by)) if one.name == case.rule else one for one in RULES)
    shown = played(case, rules)
    assert not is_in_time(case, shown), reported(shown)


def test_every_wary_rule_is_tried() -> None:
    assert BY_OTHERS.keys() <= WARY
    assert {case.rule for case in TRIED} >= WARY - BY_OTHERS.keys()


@dataclass(frozen=True)
class Unwary:
    """A rule's judging that never asks for close passes."""

    judging: Judging

    @property
    def parameters(self) -> RuleParameters:
        return self.judging.parameters

    def bindings(self, setup: RuleSetup) -> tuple[RuleBinding, ...]:
        return tuple(replace(one, is_wary=None) for one in self.judging.bindings(setup))

    def changed(self, **numbers: float) -> Unwary:
        return Unwary(self.judging.changed(**numbers))
