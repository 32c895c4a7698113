"""Compare each fault with and without reloads of the house file: `python -m tests.rehearse.reloads`.

Names of scenarios may follow; without them all are compared, which takes some three minutes. The file that is read
again has a universe more at its head, so that every place in its lists moves. What differs is printed, a line each.
"""

from __future__ import annotations

import sys

from slotwatch.rehearse.catalogue import SCENARIOS
from slotwatch.rehearse.scenario import Scenario
from slotwatch.snapshot import Incident
from tests.rehearse.theatre import perform, played, seconds

AROUND_DUE_S = (-1.3, 0.6, 4.1)
"""When the file is read again, by the moment at which the fault is due: while it waits, when it opened, and later."""
BEGINS_AGAIN = {
    "fine-stuck": "movements of one pair are counted by its place in the patch",
    "fine-swapped": "movements of one pair are counted by its place in the patch",
    "flashing-at-audience": "flashes are counted by their place in the patch",
}
"""Scenarios whose counts begin again where places in the patch move: they are reported later, and nothing else."""


def differences(scenario: Scenario) -> list[str]:
    """Lines of what reloads change: `-` is reported without them alone, `+` with them alone."""
    due_s = scenario.truth.due_s
    alone = [_line(one) for one in played(scenario.name)[0].incidents]
    reloaded = perform(scenario, reload_s=[due_s + after_s for after_s in AROUND_DUE_S])
    again = [_line(one) for one in reloaded.incidents]
    return [f"- {one}" for one in alone if one not in again] + [f"+ {one}" for one in again if one not in alone]


def _line(one: Incident) -> str:
    closed = "open" if one.closed_ns is None else f"closed at {seconds(one.closed_ns):.2f} s"
    began = f"began at {seconds(one.began_ns):.3f} s"
    return f"#{one.id} {one.severity.word} {one.rule} {one.cause} {began}, {closed}: {one.summary}"


def main(names: list[str]) -> int:
    count = 0
    for name in names or SCENARIOS:
        found = differences(SCENARIOS[name])
        if found and name not in BEGINS_AGAIN:
            count += 1
            print(name, *found, sep="\n  ")
    print(f"{count} differ")
    return int(count > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
