"""Fixtures of the declared patch collide, or run past slot 512."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from slotwatch.house.conflicts import Conflict, conflicts
from slotwatch.house.schema import Fixture, House
from slotwatch.judge import wording
from slotwatch.judge.binding import EVERY_SECOND_NS, KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import UniverseId

MOST_CONFLICTS = 256
CAUSES = {"past-512": "past-end", "doubled": "doubled", "overlap": "overlap"}
"""Of the kinds of `house.conflicts` those that are about fixtures' slots, and what an incident calls them."""
Collision = tuple[str, UniverseId, tuple[str, ...]]
"""Cause, universe, and names of the fixtures."""


@dataclass(frozen=True, slots=True)
class PatchConflictParameters(RuleParameters):
    off_delay_s: float = number(0.0, "time that the patch is right before the incident closes")


@dataclass(frozen=True, slots=True)
class PatchConflictFacts(Facts):
    conflict: str


class Collisions:
    """What collides in the patch, found once a house."""

    def __init__(self, house: House) -> None:
        self._found = find_conflicts(house)

    def are_any(self, ctx: RuleContext) -> bool:
        """Whether anything collides."""
        return bool(self._found)

    def conflicts(self, ctx: RuleContext) -> dict[Collision, tuple[str, tuple[Fixture, ...]]]:
        return self._found

    def describe(self, ctx: RuleContext, key: Collision) -> Finding:
        kind, universe, _ = key
        sentence, fixtures = self._found[key]
        universes = ctx.universes
        rows = np.flatnonzero(
            universes.used & (universes.protocol == int(universe.protocol)) & (universes.number == universe.number)
        )
        return Finding(
            group=f"{kind}:{universe}",
            since_ns=ctx.started_ns,
            universes=tuple(rows[:1].tolist()),
            fixtures=tuple(fixture.name for fixture in fixtures),
            facts=PatchConflictFacts(sentence),
            evidence=tuple(_say_fixture(fixture) for fixture in fixtures),
            lower=int(kind == "doubled"),
            cause=kind,
        )


def find_conflicts(house: House) -> dict[Collision, tuple[str, tuple[Fixture, ...]]]:
    """What `check` finds among fixtures' slots: a sentence and the fixtures, by (cause, universe, fixtures' names)."""
    places = {fixture.name: place for place, fixture in enumerate(house.fixtures)}
    found: dict[Collision, tuple[str, tuple[Fixture, ...]]] = {}
    for one in conflicts(house):
        if one.kind in CAUSES and one.universe is not None and len(found) < MOST_CONFLICTS:
            fixtures = [house.fixtures[place] for place in sorted(places[name] for name in one.fixtures)]
            fixtures.sort(key=lambda fixture: (fixture.address, fixture.last_slot))
            names = tuple(fixture.name for fixture in fixtures)
            found[CAUSES[one.kind], one.universe, names] = _say_conflict(one, fixtures), tuple(fixtures)
    return found


def _say_conflict(one: Conflict, fixtures: Sequence[Fixture]) -> str:
    names, (first, last) = wording.list_names(fixture.name for fixture in fixtures), one.slots or (0, 0)
    if one.kind == "past-512":
        return f"{names} runs to slot {fixtures[0].last_slot}, past 512"
    if one.kind == "doubled":
        return f"{names} are doubled at slot {first}"
    return f"{names} share {wording.list_slots(range(first, last + 1))}"


def _say_fixture(fixture: Fixture) -> str:
    place = f" ({fixture.file}:{fixture.row})" if fixture.row is not None else ""
    slots = wording.list_slots(range(fixture.address, fixture.last_slot + 1))
    return f"{fixture.name}: {fixture.universe} {slots}{place}."


def bind(setup: RuleSetup, p: PatchConflictParameters) -> tuple[RuleBinding, ...]:
    found = Collisions(setup.house)
    return (RuleBinding(KEYS, found.conflicts, found.describe, EVERY_SECOND_NS, found.are_any, refresh_s=None),)


RULE = Rule(
    name="patch-conflict",
    rule_class=RuleClass.PATCH,
    severity=Severity.WARNING,
    short=ShortWords("patch conflict", "{n} patch conflicts", look="Look at the patch page"),
    sentence="Patch of {universes}: {conflict}.",
    judged_by=judged_by(PatchConflictParameters(), bind),
    facts=PatchConflictFacts,
    source="ANSI E1.11 (512 slots at most)",
    faults=("F76", "F77"),
    next_checks=("Look at each row of the patch that the evidence names.",),
)
