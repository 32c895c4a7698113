"""Levels and frames against the declared patch: conflicts in it, slots nobody uses, slots that never come."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.conflicts import Conflict, conflicts
from slotwatch.house.schema import Fixture, House
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, UNIVERSES, Finding, Mask, NamedBinding, named
from slotwatch.judge.context import RuleContext
from slotwatch.judge.shifted import fitting_universe
from slotwatch.model.winning import winning_levels
from slotwatch.snapshot import Confidence
from slotwatch.wire.universe import UniverseId

SLOTS = 512
MOST_CONFLICTS = 256
CAUSES = {"past-512": "past-end", "doubled": "doubled", "overlap": "overlap"}
"""Of the kinds of `house.conflicts` those that are about fixtures' slots, and what an incident calls them."""
Conflicts = dict[tuple[str, UniverseId | None, tuple[str, ...]], tuple[str, tuple[Fixture, ...]]]


def bindings(house: House) -> tuple[NamedBinding, ...]:
    plan = Plan(house)
    return (
        named("patch-conflict", KEYS, plan.conflicts, plan.describe_conflict, 1_000_000_000, refresh_s=None),
        named("short-frame", UNIVERSES, plan.is_short, plan.describe_short),
        named("stray-levels", UNIVERSES, plan.has_strays, plan.describe_strays, turned_ns=changed_ns),
    )


def changed_ns(ctx: RuleContext, row: int) -> int:
    """When the levels of a universe last changed."""
    return int(ctx.universes.last_change_ns[row])


class Plan:
    """The patch as slots: which are used on each declared universe, up to where, and where fixtures collide."""

    def __init__(self, house: House) -> None:
        index = {universe.id: number for number, universe in enumerate(house.universes)}
        self._used: NDArray[np.bool_] = np.zeros((len(house.universes) + 1, SLOTS), np.bool_)
        self._needed = np.zeros(len(house.universes) + 1, np.int64)
        self._fixtures: dict[UniverseId, list[Fixture]] = {}
        for fixture in house.fixtures:
            self._fixtures.setdefault(fixture.universe, []).append(fixture)
            number = index.get(fixture.universe)
            if number is not None and fixture.address <= SLOTS:
                last = min(SLOTS, fixture.last_slot)
                self._used[number, fixture.address - 1 : last] = True
                self._needed[number] = max(self._needed[number], last)
        self._conflicts = find_conflicts(house)

    # --- conflicts ------------------------------------------------------------------------------------

    def conflicts(self, ctx: RuleContext) -> dict[Any, Any]:
        return self._conflicts

    def describe_conflict(self, ctx: RuleContext, key: Any) -> Finding:
        kind, universe = key[0], key[1]
        sentence, fixtures = self._conflicts[key]
        universes = ctx.universes
        rows = np.flatnonzero(
            universes.used & (universes.protocol == int(universe.protocol)) & (universes.number == universe.number)
        )
        return Finding(
            group=f"{kind}:{universe}",
            since_ns=ctx.started_ns,
            universes=tuple(rows[:1].tolist()),
            fixtures=tuple(fixture.name for fixture in fixtures),
            facts={"conflict": sentence},
            evidence=tuple(_say_fixture(fixture) for fixture in fixtures),
            lower=int(kind == "doubled"),
            cause=kind,
        )

    # --- short frames ---------------------------------------------------------------------------------

    def is_short(self, ctx: RuleContext) -> Mask:
        """No live source covers all slots that the patch uses."""
        universes = ctx.universes
        needed = self._needed[universes.declared]
        short: Mask = universes.used & (universes.declared >= 0) & (universes.live > 0) & (universes.slots < needed)
        for row in np.flatnonzero(short).tolist():
            short[row] = self._covered(ctx, row) < needed[row]
        return short

    @staticmethod
    def _covered(ctx: RuleContext, row: int) -> int:
        rows = ctx.streams_of(row)
        rows = rows[ctx.live[rows]]
        return int(ctx.streams.slots[rows].max()) if len(rows) else SLOTS

    def describe_short(self, ctx: RuleContext, row: int) -> Finding:
        slots, needed = self._covered(ctx, row), int(self._needed[ctx.universes.declared[row]])
        cut = [fixture for fixture in self._fixtures.get(ctx.universe_id(row), ()) if fixture.last_slot > slots]
        rows = [stream for stream in ctx.streams_of(row).tolist() if ctx.live[stream]]
        return Finding(
            group=f"universe:{row}",
            since_ns=0,
            universes=(row,),
            streams=tuple(rows),
            networks=(int(ctx.universes.network[row]),),
            fixtures=tuple(fixture.name for fixture in cut),
            facts={
                "slots": str(slots),
                "needed": str(needed),
                "fixtures": wording.list_names(fixture.label or fixture.name for fixture in cut),
            },
            evidence=(f"{ctx.universe_name(row)}: frames of {slots} slots; the patch ends at slot {needed}.",),
        )

    # --- stray levels ---------------------------------------------------------------------------------

    def _strays(self, ctx: RuleContext, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
        used = self._used[ctx.universes.declared[rows]]
        strays: NDArray[np.bool_] = (winning_levels(ctx.model, rows) > 0) & ~used
        return strays

    def has_strays(self, ctx: RuleContext) -> Mask:
        """A slot that no fixture uses is above zero, on a universe that has a patch."""
        universes = ctx.universes
        strays = np.zeros(universes.count, np.bool_)
        patched = universes.used & (universes.declared >= 0) & (self._needed[universes.declared] > 0)
        rows = np.flatnonzero(patched & (universes.live > 0))
        if len(rows):
            strays[rows] = self._strays(ctx, rows).any(1)
        return strays

    def describe_strays(self, ctx: RuleContext, row: int) -> Finding:
        numbers = (np.flatnonzero(self._strays(ctx, np.array([row]))[0]) + 1).tolist()
        before = [fixture for fixture in self._fixtures.get(ctx.universe_id(row), ()) if numbers]
        before = [fixture for fixture in before if fixture.last_slot < numbers[0]]
        neighbour = max(before, key=lambda fixture: fixture.last_slot, default=None)
        near = ""
        if neighbour is not None and numbers[0] - neighbour.last_slot == 1:
            follow = "It follows" if len(numbers) == 1 else "They follow"
            near = f" {follow} {neighbour.label or neighbour.name}: it may run in a longer mode."
        shifted = self._say_shifted(ctx, row)
        return Finding(
            group=f"universe:{row}",
            since_ns=0,
            universes=(row,),
            networks=(int(ctx.universes.network[row]),),
            fixtures=(neighbour.name,) if near and neighbour is not None else (),
            facts={"slots": wording.list_slots(numbers), "near": near},
            evidence=(f"{ctx.universe_name(row)}: unpatched slots above zero: {len(numbers)}.", *shifted),
            confidence=Confidence.CERTAIN,
            also_possible=("a patch list that is out of date", "a visiting rig"),
        )

    def _say_shifted(self, ctx: RuleContext, row: int) -> tuple[str, ...]:
        """Where the levels fit another universe's patch: they may be on the wrong one."""
        declared = int(ctx.universes.declared[row])
        other = fitting_universe(ctx.house, self._used, declared, ctx.model.levels[row])
        if other is None:
            return ()
        own = ctx.universe_id(row).number
        why = (
            "universes counted from 0 in one place and from 1 in another"
            if abs(other.number - own) == 1
            else "a port map"
        )
        return (f"The levels fit the patch of {other}: they may be on the wrong universe ({why}).",)


def find_conflicts(house: House) -> Conflicts:
    """What `check` finds among fixtures' slots: a sentence and the fixtures, by (cause, universe, fixtures' names)."""
    places = {fixture.name: place for place, fixture in enumerate(house.fixtures)}
    found: Conflicts = {}
    for one in conflicts(house):
        if one.kind in CAUSES and len(found) < MOST_CONFLICTS:
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
    return f"{names} share slots {first} to {last}"


def _say_fixture(fixture: Fixture) -> str:
    place = f" ({fixture.file}:{fixture.row})" if fixture.row is not None else ""
    return f"{fixture.name}: {fixture.universe} slots {fixture.address} to {fixture.last_slot}{place}."
