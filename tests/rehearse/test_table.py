"""The table of faults in the documents is the catalogue's own, and leaves no fault out."""

from __future__ import annotations

import subprocess
import sys

from slotwatch.judge.catalog import CATALOG
from slotwatch.rehearse.catalogue import SCENARIOS, nearest
from slotwatch.rehearse.fault_names import FAULTS, WITHOUT_SCENARIO
from tests.rehearse.table import FILE, markdown


def test_document_is_current() -> None:
    assert FILE.read_text(encoding="utf-8") == markdown(), "run: make docs"


def test_order_of_scenarios_does_not_hang_on_who_imports_them_first() -> None:
    words = (
        "import slotwatch.rehearse.night_witness; from slotwatch.rehearse.catalogue import SCENARIOS; print(*SCENARIOS)"
    )
    done = subprocess.run([sys.executable, "-c", words], check=True, capture_output=True, text=True)
    assert done.stdout.split() == list(SCENARIOS)


def test_every_fault_has_a_scenario_or_a_reason() -> None:
    rehearsed = {each.fault for each in SCENARIOS.values()} - {""}
    assert rehearsed <= FAULTS.keys()
    assert FAULTS.keys() - rehearsed == WITHOUT_SCENARIO.keys()


WITHOUT_SCENARIO_OF_ITS_OWN = {
    "flapping": "what several short incidents of another rule become",
    "lights-left-on": "takes ten minutes of the phase dark; tests/judge/test_lights_left_on.py plays shorter times",
    "line-differs": "a rehearsal has no serial port; tests/judge/test_bridge.py plays a tapped line",
    "line-faulty": "a rehearsal has no serial port; tests/judge/test_bridge.py plays a tapped line",
    "line-port-missing": "a rehearsal has no serial port; tests/judge/test_bridge.py plays a tapped line",
    "route-output-lost": "routes run in a process of their own; tests/test_app_routes.py ends it while it sends",
    "route-loop": "routes run in a process of their own; tests/edge plays a loop with real packets",
}


def test_every_rule_has_a_scenario_or_a_reason() -> None:
    rehearsed = {each.truth.rule for each in SCENARIOS.values()} - {""}
    assert CATALOG.keys() - rehearsed == WITHOUT_SCENARIO_OF_ITS_OWN.keys(), "add one to rehearse/faults_*.py"


def test_truths_name_rules_that_exist() -> None:
    for each in SCENARIOS.values():
        truth = each.truth
        for rule in (truth.rule, *truth.also, *truth.instead, *truth.explains):
            assert not rule or rule in CATALOG, f"{each.name}: {rule}"


def test_misspelt_scenario_names_its_nearest() -> None:
    assert nearest("source-dyed") == "source-died"
