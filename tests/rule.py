"""One rule at a time: `python -m tests.rule packet-loss`, or `make rule RULE=packet-loss`.

Prints its row, then runs its tests, its scenarios and every healthy show. In a healthy show it may raise nothing worse
than a note.
"""

from __future__ import annotations

import sys
from difflib import get_close_matches

import pytest

from slotwatch.judge.catalog import CATALOG
from slotwatch.rehearse.catalogue import SCENARIOS

FILES = (
    "test_catalog.py",
    "test_close_passes.py",
    "test_every_rule.py",
    "test_flow_rules.py",
    "test_parameters.py",
    "test_rule_modules.py",
    "test_sentences.py",
)
COMPLETE = (
    "test_no_rule_is_without_its_rows",
    "test_every_rule_has_its_sentence",
    "test_every_number_has_its_row",
    "test_every_wary_rule_is_tried",
    "test_every_rule_has_a_scenario_or_a_reason",
)
"""Tests that fail while a rule lacks a case, its sentence, a row of one of its numbers, a scenario, or `is_wary`."""


def main(arguments: list[str]) -> int:
    if len(arguments) != 1 or arguments[0] not in CATALOG:
        near = get_close_matches(arguments[0] if arguments else "", CATALOG, 1) or ["packet-loss"]
        print(f"name one rule: make rule RULE={near[0]}", file=sys.stderr)
        return 2
    rule = CATALOG[arguments[0]]
    print(f"{rule.name}: {rule.rule_class}, {rule.severity.word} in show\n  {rule.shown_sentence()}")
    for row in (*rule.parameters.rows(), *rule.measured):
        print(f"  {row.name} = {row.value:g}: {row.text} ({row.source})")
    scenarios = [each.name for each in SCENARIOS.values() if each.truth.rule == rule.name]
    print(f"  scenarios: {', '.join(scenarios) or 'none'}", flush=True)
    truths = "tests/rehearse/test_truths.py"
    played = [f"{truths}::test_scenario_is_reported_as_it_is_and_without_contradiction[{name}]" for name in scenarios]
    healthy = [each.name for each in SCENARIOS.values() if each.is_healthy and each.truth.rule != rule.name]
    idling = f"{truths}::test_scenario_is_reported_as_it_is_while_the_daemon_idles_between_turns"
    print(f"  healthy shows: {len(healthy)}", flush=True)
    played += [f"{idling}[{name}]" for name in healthy]
    wanted_tests = " or ".join([rule.name, rule.name.replace("-", "_"), *COMPLETE])
    found = pytest.main(
        ["-q", "-k", wanted_tests, *(f"tests/judge/{name}" for name in FILES), "tests/rehearse/test_table.py"]
    )
    return int(found) or int(pytest.main(["-q", *played]))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
