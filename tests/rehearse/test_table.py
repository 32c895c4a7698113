"""The table of faults in the documents is the catalogue's own, and leaves no fault out."""

from __future__ import annotations

from slotwatch.judge.catalog import CATALOG
from slotwatch.rehearse.catalogue import SCENARIOS, nearest
from slotwatch.rehearse.fault_names import FAULTS, WITHOUT_SCENARIO
from tests.rehearse.table import FILE, markdown


def test_document_is_current() -> None:
    assert FILE.read_text(encoding="utf-8") == markdown(), "run: python -m tests.rehearse.table"


def test_every_fault_has_a_scenario_or_a_reason() -> None:
    rehearsed = {each.fault for each in SCENARIOS.values()} - {""}
    assert rehearsed <= FAULTS.keys()
    assert FAULTS.keys() - rehearsed == WITHOUT_SCENARIO.keys()


def test_truths_name_rules_that_exist() -> None:
    for each in SCENARIOS.values():
        truth = each.truth
        for rule in (truth.rule, *truth.also, *truth.instead, *truth.explains):
            assert not rule or rule in CATALOG, f"{each.name}: {rule}"


def test_misspelt_scenario_names_its_nearest() -> None:
    assert nearest("source-dyed") == "source-died"
