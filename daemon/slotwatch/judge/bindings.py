"""All rules bound to one house. See `judge.binding` for how to add one."""

from __future__ import annotations

from collections.abc import Iterable

from slotwatch.house.schema import House
from slotwatch.judge import (
    rules_backup,
    rules_control,
)
from slotwatch.judge.binding import RuleSetup, RuleState
from slotwatch.judge.rule import Rule

MODULES = (
    rules_backup,
    rules_control,
)


def all_states(house: House, rules: Iterable[Rule]) -> list[RuleState]:
    """Make the state of every rule's bindings for a house, in the order of the rules."""
    rules = tuple(rules)
    setup = RuleSetup(house, rules)
    tabled = [pair for module in MODULES for pair in module.bindings(house)]
    states = []
    for rule in rules:
        own = [binding for name, binding in tabled if name == rule.name]
        states += [RuleState(rule, binding) for binding in (*own, *rule.judged_by.bindings(setup))]
    return states
