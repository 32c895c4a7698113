"""All rules bound to one house. See `judge.binding` for how to add one."""

from __future__ import annotations

from collections.abc import Iterable

from slotwatch.house.schema import House
from slotwatch.judge.binding import Lasting, RuleSetup
from slotwatch.judge.flapping import Flapping
from slotwatch.judge.rule import Rule
from slotwatch.judge.rule_state import RuleState


def all_states(
    house: House, rules: Iterable[Rule], before: Iterable[RuleState] = (), lasting: Lasting | None = None
) -> list[RuleState]:
    """Make the state of every rule's bindings for a house, in the order of the rules.

    before: states under an earlier house file; lasting: what its rules shared. A rule whose bindings read nothing of
    the house keeps its states. Of the others, what is raised and what waits is handed over.
    """
    rules, known = tuple(rules), tuple(before)
    setup = RuleSetup(house, (rule.parameters for rule in rules), lasting)
    flapping = Flapping.of(rules)
    found: list[RuleState] = []
    for rule in rules:
        setup.is_house_read = False
        made = [RuleState(rule, binding, flapping) for binding in rule.judged_by.bindings(setup)]
        earlier = [state for state in known if state.rule.name == rule.name]
        # A rule's states stay if the new house makes as many bindings of it.
        if len(earlier) == len(made) and not setup.is_house_read:
            made = earlier
            for state in made:
                state.make_due()
        elif len(earlier) == len(made):
            for state, former in zip(made, earlier, strict=True):
                state.take_over(former)
        found += made
    return found
