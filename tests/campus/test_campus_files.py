"""The files for many houses: accepted by the programs that read them, and every name in them exists."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from slotwatch.house.outgoing import Mqtt
from tests.patience import PATIENCE_S
from tests.views.test_metrics import full, text

CAMPUS = Path(__file__).parent.parent.parent / "config" / "campus"
PROMETHEUS = CAMPUS.parent / "prometheus"
BOARD: dict[str, Any] = json.loads((CAMPUS / "fifty-houses.json").read_text())


def run(*command: str, place: Path = CAMPUS) -> None:
    """Run a program of Prometheus or Alertmanager; it has to accept what it is given."""
    if shutil.which(command[0]) is None:
        if os.environ.get("CI"):
            pytest.fail(f"{command[0]} is missing; CI has to have it")
        pytest.skip(f"no {command[0]} here")
    done = subprocess.run(command, capture_output=True, text=True, cwd=place, timeout=PATIENCE_S)
    assert done.returncode == 0, done.stdout + done.stderr


def test_prometheus_accepts_its_configuration() -> None:
    run("promtool", "check", "config", "prometheus.yml")


def test_the_rules_do_what_their_unit_tests_say() -> None:
    run("promtool", "test", "rules", "alerts_test.yml")


def test_the_rules_of_one_house_do_what_their_unit_tests_say() -> None:
    run("promtool", "test", "rules", "slotwatch-alerts_test.yml", place=PROMETHEUS)


def test_alertmanager_accepts_its_configuration() -> None:
    run("amtool", "check-config", "alertmanager.yml")


@pytest.mark.parametrize(
    ("labels", "receiver"),
    [
        ({"severity": "critical", "site": "harbour"}, "harbour-duty"),
        ({"severity": "critical", "site": "mill-lane"}, "mill-lane-duty"),
        ({"severity": "critical", "site": "a new site"}, "campus-desk"),
        ({"severity": "warning", "site": "harbour"}, "campus-desk"),
    ],
)
def test_alertmanager_calls_who_is_meant(labels: dict[str, str], receiver: str) -> None:
    words = [f"{name}={value}" for name, value in labels.items()]
    run(
        "amtool", "config", "routes", "test", "--config.file=alertmanager.yml", f"--verify.receivers={receiver}", *words
    )


def test_every_metric_that_is_named_exists() -> None:
    known = {sample.name for family in text_string_to_metric_families(text(full())) for sample in family.samples}
    recording = (CAMPUS / "recording.yml").read_text()
    recorded = set(re.findall(r"record: (\S+)", recording))
    expressions = [target["expr"] for panel in BOARD["panels"] for target in panel["targets"]]
    files = (recording, (CAMPUS / "alerts.yml").read_text(), *expressions)
    for line in files:
        named = set(re.findall(r"(?<![\w:])(?:house:)?slotwatch_\w+(?::\w+)?", line)) - {"slotwatch_notifications"}
        assert named <= known | recorded, named - known - recorded


def test_the_dashboard_has_a_description_for_each_panel_and_numbers_no_panel_twice() -> None:
    assert all(panel["title"] and panel["description"] for panel in BOARD["panels"])
    numbers = [panel["id"] for panel in BOARD["panels"]]
    assert len(set(numbers)) == len(numbers)


def test_the_topic_layout_uses_keys_of_the_house_file() -> None:
    keys = re.findall(r"^    (\w+) = ", (CAMPUS / "mqtt-topics.md").read_text(), re.MULTILINE)
    assert keys
    assert set(keys) <= set(Mqtt.__dataclass_fields__)
