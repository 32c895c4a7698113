"""Print the score of scenarios: `python -m tests.rehearse.score [--rough[=SEED]] [--resting] [healthy | NAME …]`.

Without a name all are played, with `healthy` only the healthy shows.
"""

from __future__ import annotations

import sys
import time
import traceback

from slotwatch.rehearse.catalogue import SCENARIOS
from tests.rehearse.theatre import line_of, mismatches, perform, roughened, seconds


def main(names: list[str]) -> int:
    """Play each scenario, print what is wrong, and end with the score of faults and of healthy shows."""
    rough = [word for word in names if word.startswith("--rough")]
    resting = "--resting" in names
    healthy_alone = "healthy" in names
    names = [word for word in names if not word.startswith("--") and word != "healthy"]
    seed = int(rough[0].partition("=")[2] or 1) if rough else 0
    right = {True: 0, False: 0}
    count = {True: 0, False: 0}
    lateness: list[tuple[float, str]] = []
    began_s = time.monotonic()
    for scenario in SCENARIOS.values():
        if (names and scenario.name not in names) or (healthy_alone and not scenario.is_healthy):
            continue
        count[scenario.is_healthy] += 1
        try:
            performance = perform(roughened(scenario, seed) if rough else scenario, resting=resting)
            wrong = mismatches(performance)
        except Exception:
            wrong = [traceback.format_exc().strip().splitlines()[-1]]
            performance = None
        right[scenario.is_healthy] += not wrong
        if performance and not wrong and scenario.truth.rule:
            opened = [each.opened_ns for each in performance.incidents if each.rule == scenario.truth.rule]
            lateness += [(seconds(min(opened)) - scenario.truth.due_s, scenario.name)] if opened else []
        if wrong or names:
            print(f"{scenario.fault or '-':5}{scenario.name}: {scenario.title}")
            for line in wrong:
                print(f"       {line}")
            if names and performance:
                for incident in performance.incidents:
                    print(f"       reported: {line_of(incident)}")
                    for text in (incident.summary, *incident.evidence, *incident.also_possible):
                        print(f"             {text}")
                    for entry in incident.timeline:
                        print(f"             {seconds(entry.t_ns):8.2f} s {entry.what}: {entry.text}")
    print(f"faults {right[False]} of {count[False]}, healthy shows {right[True]} of {count[True]}", end="")
    print(f", {time.monotonic() - began_s:.0f} s")
    if lateness:
        worst = ", ".join(f"{name} {late_s * 1000:+.0f} ms" for late_s, name in sorted(lateness, reverse=True)[:5])
        print(f"opened against due, the latest: {worst}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
