"""All rules bound to one house. See `judge.binding` for how to add one."""

from __future__ import annotations

from collections.abc import Iterable

from slotwatch.house.schema import House
from slotwatch.judge.binding import RuleSetup
from slotwatch.judge.flapping import Flapping
from slotwatch.judge.rule import Rule
from slotwatch.judge.rule_state import RuleState


def all_states(house: House, rules: Iterable[Rule]) -> list[RuleState]:
    """Make the state of every rule's bindings for a house, in the order of the rules."""
    rules = tuple(rules)
    setup = RuleSetup(house, rules)
    flapping = Flapping.of(rules)
    return [RuleState(rule, binding, flapping) for rule in rules for binding in rule.judged_by.bindings(setup)]
