"""The Prometheus and Grafana files that are shipped name only metrics and labels that there are.

Rule syntax is Prometheus' own business; where promtool is installed it has the last word.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from slotwatch.cli import build_parser
from tests.views.test_metrics import full, text

CONFIG = Path(__file__).parent.parent.parent / "config"
BUILT_IN = {"instance", "job", "le", "alertname"}


def known() -> dict[str, set[str]]:
    """Names and labels of everything that /metrics says."""
    found: dict[str, set[str]] = {}
    for family in text_string_to_metric_families(text(full())):
        for sample in family.samples:
            found.setdefault(sample.name, set()).update(sample.labels)
    return found


def expressions() -> list[str]:
    rules = (CONFIG / "prometheus" / "slotwatch-alerts.yml").read_text()
    found = re.findall(r"^\s+expr: (.+)$", rules, re.MULTILINE)
    board = json.loads((CONFIG / "grafana" / "show-data.json").read_text())
    found += [target["expr"] for panel in board["panels"] for target in panel["targets"]]
    found += [one["expr"] for one in board["annotations"]["list"]]
    return found + [one["query"]["query"] for one in board["templating"]["list"] if one["type"] == "query"]


@pytest.mark.parametrize("expression", expressions())
def test_every_expression_names_metrics_and_labels_that_are_there(expression: str) -> None:
    metrics = known()
    names = re.findall(r"\bslotwatch_\w+", re.sub(r'"[^"]*"', '""', expression))
    assert names or "up{" in expression
    labels: set[str] = set(BUILT_IN)
    for name in names:
        assert name in metrics, f"{name} is no metric"
        labels |= metrics[name]
    used = set(re.findall(r"(\w+)=~?\"", expression))
    for group in re.findall(r"\b(?:by|on)\s*\(([^)]*)\)", expression):
        used |= {label.strip() for label in group.split(",")}
    assert used <= labels, f"{used - labels} is no label there"
    assert expression.count("(") == expression.count(")") and expression.count("{") == expression.count("}")


def test_each_command_that_an_alert_names_is_one() -> None:
    """Somebody whom it wakes types it as it stands."""
    texts = [path.read_text() for path in sorted(CONFIG.glob("*/*alerts.yml"))]
    commands = [command for text in texts for command in re.findall(r": slotwatch (\w+[^\"\n]*)\"", text)]
    assert len(commands) > 4
    for command in commands:
        build_parser().parse_args(command.split())


def test_legends_name_labels_that_are_there() -> None:
    metrics = known()
    board: dict[str, Any] = json.loads((CONFIG / "grafana" / "show-data.json").read_text())
    for panel in board["panels"]:
        assert panel["title"] and panel["description"]
        for target in panel["targets"]:
            labels = set().union(*(metrics[name] for name in re.findall(r"\bslotwatch_\w+", target["expr"])))
            assert set(re.findall(r"{{(\w+)}}", target["legendFormat"])) <= labels


def test_a_listener_that_is_gone_is_noticed_from_outside() -> None:
    """The dead-man's rules: nobody else can say that the listener itself is absent."""
    rules = (CONFIG / "prometheus" / "slotwatch-alerts.yml").read_text()
    assert "absent(" in rules and 'up{job="slotwatch"} == 0' in rules


@pytest.mark.skipif(shutil.which("promtool") is None, reason="no promtool; Debian's package prometheus has it")
def test_promtool_accepts_the_rules_and_the_metrics() -> None:
    command = ["promtool", "check", "rules", str(CONFIG / "prometheus" / "slotwatch-alerts.yml")]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    done = subprocess.run(["promtool", "check", "metrics"], input=text(full()), capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
