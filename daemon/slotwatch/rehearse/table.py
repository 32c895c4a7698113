"""The catalogue as a table for people: docs/faults.md is this text, and a test holds that it is current."""

from __future__ import annotations

from slotwatch.rehearse.catalogue import SCENARIOS
from slotwatch.rehearse.fault_names import FAULTS, WITHOUT_SCENARIO
from slotwatch.rehearse.scenario import Scenario

_HEAD = """# Faults, their rehearsals, and what is reported

Made from the catalogue of `slotwatch rehearse` by `python -m tests.rehearse.table`; do not edit by hand.

Each scenario is a small program that plays one known fault, its truth. It makes packets, and also observations where
the listener needs more than packets, such as the state of a link. It builds every byte from the tables of the
standards and shares no code with the decoders that read them. `tests/rehearse/test_truths.py` plays each scenario to
the real decoder and engine and compares what is reported with the truth: the rule, the first cause, the universes, the
severity, the highest confidence, and the time (at most 0.1 s later than the rule's own).

`slotwatch rehearse NAME` plays one live on loopback, `--capture FILE` writes it as pcapng, and `--house FILE` writes
the house file that it is judged by. The column *confidence* gives the highest confidence that is allowed where the
listener sits. *Capture only* marks a scenario that cannot be played on
loopback, because the fault shows in more than packets, such as a link that goes down.
"""


def markdown() -> str:
    """Return the whole of docs/faults.md."""
    scenarios = list(SCENARIOS.values())
    faulty = [each for each in scenarios if not each.is_healthy]
    healthy = [each for each in scenarios if each.is_healthy]
    named = {each.fault for each in faulty}
    parts = [
        _HEAD,
        f"\n## {len(faulty)} rehearsed faults\n\n",
        "| fault | scenario | what happens | what is reported | confidence |\n| --- | --- | --- | --- | --- |\n",
        *map(_fault_row, faulty),
        f"\n## {len(healthy)} healthy shows that look suspicious\n\n",
        "They may raise nothing more severe than a note.\n\n",
        "| could be taken for | scenario | what happens |\n| --- | --- | --- |\n",
        *map(_healthy_row, healthy),
        "\n## Faults without a scenario of their own\n\n",
        "| fault | why |\n| --- | --- |\n",
        *(f"| {_fault(fault)} | {_why(fault)} |\n" for fault in FAULTS if fault not in named),
    ]
    return "".join(parts)


def _why(fault: str) -> str:
    shows = [f"`{each.name}`" for each in SCENARIOS.values() if each.fault == fault]
    if shows:
        return f"Not a fault by itself: see the healthy shows {', '.join(shows)}."
    return WITHOUT_SCENARIO[fault]


def _fault(fault: str) -> str:
    return f"{fault} {FAULTS[fault]}" if fault else "a bound of this program"


def _scenario(scenario: Scenario) -> str:
    return f"`{scenario.name}`" + ("" if scenario.live else " (capture only)")


def _fault_row(scenario: Scenario) -> str:
    truth = scenario.truth
    expected = f"{truth.severity} `{truth.rule}`"
    if truth.cause:
        expected += f", cause `{'` or `'.join((truth.cause, *truth.causes))}`"
    if truth.universes:
        expected += f": {', '.join(truth.universes)}"
    if truth.instead:
        expected += f" (or `{'`, `'.join(truth.instead)}`)"
    cells = (_fault(scenario.fault), _scenario(scenario), scenario.title, expected, f"at most {truth.confidence}")
    return f"| {' | '.join(cells)} |\n"


def _healthy_row(scenario: Scenario) -> str:
    return f"| {_fault(scenario.fault)} | {_scenario(scenario)} | {scenario.title} |\n"
