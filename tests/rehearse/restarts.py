"""Compare each fault with and without a restart of the program in its middle: `python -m tests.rehearse.restarts`.

Names of scenarios may follow; without them all faults are compared, which takes some ten minutes. What differs is
printed, a line each. What nobody can know after a restart is listed in LOST_WITH_IT.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import partial

from slotwatch.rehearse.catalogue import SCENARIOS
from slotwatch.rehearse.scenario import Scenario
from slotwatch.snapshot import Incident
from tests.rehearse.theatre import Performance, perform, played, seconds

AFTER_DUE_S = 2.5
"""The program is stopped so long after the fault is due …"""
AWAY_S = 2.0
"""… for so long."""
KNOWN_S = 14.0
"""So long after a restart what is due and does not come is missing (10 s), and each rule has its window."""
SAME_S = 1.0
"""Beginnings may differ by this: of what lasts they come from the record, which is exact to a millisecond."""
_LATE_ART_NET = "Art-Net is lost after 10 s, and the program stops before: when exactly it fell silent is not known"
LOST_WITH_IT: dict[str, tuple[str, tuple[str, ...]]] = {
    "switch-of-one-network-dead-with-media": (
        _LATE_ART_NET,
        ("reported beside: #2 universe-missing", "#1 universe-lost: ("),
    ),
    "all-sources-end": (
        _LATE_ART_NET,
        ("reported beside: #2 universe-missing", "#1 universe-lost: ("),
    ),
    "groups-end-one-by-one": (
        "most groups end while nobody listens: that they ended one after the other is not known",
        (
            "reported beside: #2 universe-lost network-lost",
            "reported beside: #3 universe-missing",
            "#1 universe-lost: (",
        ),
    ),
    "every-packet-of-the-desk-is-damaged": (
        "whose packets are damaged is concluded from the moment at which streams end: that was before the restart",
        ("#2 universe-lost: cause path-or-sender became -",),
    ),
    "stage-switch-restarts": (
        "a switch that did not answer since the restart is not called silent: its own restart is the second incident",
        ("not reported: #3 switch-restarted", "reported beside: #2 switch-restarted restarted"),
    ),
    "switch-restarts-fast": (
        "the switch restarted before the program did: its up time is all that is read, and it shows no restart",
        ("#1 switch-restarted is over",),
    ),
}
"""Scenarios that a restart changes because what it takes is known to nobody: why, and how each difference begins."""
GONE = frozenset({"universe-lost", "universe-missing"})
"""What was lost before a restart is missing after it: the new judgement never heard it."""


def differences(scenario: Scenario) -> list[str]:
    """What a restart changes: other incidents, causes, numbers, or what is open at the end."""
    stopped_s = scenario.truth.due_s + AFTER_DUE_S
    if scenario.lasting is not None and scenario.seconds < stopped_s + AWAY_S + KNOWN_S:
        long_s = stopped_s + AWAY_S + KNOWN_S
        scenario = replace(scenario, seconds=long_s, items=partial(scenario.lasting, long_s))
        whole = perform(scenario)
    else:
        whole, _ = played(scenario.name)
    alone = _reported(whole)
    again = _reported(perform(scenario, restart_s=(stopped_s, stopped_s + AWAY_S)))
    found = [f"not reported: {_line(one)}" for number, one in alone.items() if number not in again]
    found += [f"reported beside: {_line(one)}" for number, one in again.items() if number not in alone]
    for number in alone.keys() & again.keys():
        before, after = alone[number], again[number]
        if before.rule != after.rule and not {before.rule, after.rule} <= GONE:
            found.append(f"#{number} {before.rule} became {after.rule}")
        # What would have made it another cause later may have come while nobody listened: then none is claimed.
        first = whole.first_cause[number]
        if after.cause not in (before.cause, first) and (after.cause or before.cause == first):
            found.append(f"#{number} {before.rule}: cause {before.cause or '-'} became {after.cause or '-'}")
        if _is_over(before) != _is_over(after):
            state = "over" if _is_over(after) else "there"
            found.append(f"#{number} {before.rule} is {state} after the restart: {after.summary}")
        if set(before.universes) != set(after.universes):
            found.append(f"#{number} {before.rule}: {before.universes} became {after.universes}")
        if abs(before.began_ns - after.began_ns) > SAME_S * 1e9:
            began, now = seconds(before.began_ns), seconds(after.began_ns)
            found.append(f"#{number} {before.rule}: began at {began:.1f} s, after the restart at {now:.1f} s")
    return found


def unexplained(name: str, found: list[str]) -> list[str]:
    """Of these differences those that LOST_WITH_IT gives no reason for."""
    _, expected = LOST_WITH_IT.get(name, ("", ()))
    return [line for line in found if not line.startswith(expected or "-")]


def _reported(performance: Performance) -> dict[int, Incident]:
    return {one.id: one for one in performance.alarms() if not one.part_of}


def _is_over(one: Incident) -> bool:
    return one.closed_ns is not None or one.returned_ns is not None


def _line(one: Incident) -> str:
    state = "open" if one.closed_ns is None else "closed"
    return f"#{one.id} {one.rule} {one.cause or '-'} {','.join(one.universes)} ({state}): {one.summary}"


def main(names: list[str]) -> int:
    """Compare scenarios and print what a restart changes."""
    shows = [one for one in SCENARIOS.values() if one.name in names or (not names and not one.is_healthy)]
    wrong = 0
    for show in shows:
        found = differences(show)
        wrong += bool(unexplained(show.name, found))
        if found:
            print(f"{show.name}: {show.title}", flush=True)
        if show.name in LOST_WITH_IT:
            print(f"    (not known after a restart: {LOST_WITH_IT[show.name][0]})", flush=True)
        for line in found:
            print(f"    {line}", flush=True)
    print(f"{len(shows)} scenarios, {wrong} of them reported otherwise after a restart without a reason")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
