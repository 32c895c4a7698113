"""Slots that no fixture or circuit uses are above zero, on a universe that has a patch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.judge import wording
from slotwatch.judge.binding import UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lights import fixture_name
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.patched import PatchedSlots
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.winning import winning_levels
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.universe import UniverseId

LONGER_MODE = "Look at the fixture before these slots: it may run in another mode than the patch says."
ROWS_AT_ONCE = 512
"""Universes compared at once: their levels, 0.25 MiB, stay in a processor's cache."""
SAME_MOVE_NS = 10 * NANOSECONDS
"""Levels that change within this time move on; after it they are looked at again."""


@dataclass(frozen=True, slots=True)
class StrayLevelsParameters(RuleParameters):
    on_delay_s: float = number(5.0, "time above zero before the incident opens")
    fit_slots: int = number(10, "fewest slots above zero that are compared with other universes' patches")
    own_fit_ratio: float = number(0.6, "share of them on patched slots above which they fit their own universe")
    other_fit_ratio: float = number(0.97, "least share of them on another universe's patched slots")
    covered_ratio: float = number(0.3, "least part of the other patch that they use: a full universe fits everything")


@dataclass(frozen=True, slots=True)
class StrayLevelsFacts(Facts):
    slots: str
    near: str


class StrayLevels:
    """Compares levels with the slots that the patch uses."""

    def __init__(self, patch: PatchedSlots, p: StrayLevelsParameters) -> None:
        self._patch = patch
        self._p = p
        self._seen: dict[int, tuple[int, NDArray[np.bool_]]] = {}
        """Of a universe row: when it was last described, and (512,) strays since they began."""

    def _strays(self, ctx: RuleContext, rows: NDArray[np.intp]) -> NDArray[np.uint64]:
        """(n, 64) levels of eight slots each; 0 in those that are used."""
        strays: NDArray[np.uint64] = winning_levels(ctx.model, rows).view(np.uint64)
        strays &= self._patch.unused[ctx.universes.declared[rows]]
        return strays

    def has_strays(self, ctx: RuleContext) -> Mask:
        """A slot that no fixture or circuit uses is above zero, on a universe that has a patch."""
        universes = ctx.universes
        strays = np.zeros(universes.count, np.bool_)
        patched = universes.used & (universes.declared >= 0) & (self._patch.needed[universes.declared] > 0)
        rows = np.flatnonzero(patched & (universes.live > 0))
        for first in range(0, len(rows), ROWS_AT_ONCE):
            some = rows[first : first + ROWS_AT_ONCE]
            strays[some] = self._strays(ctx, some).any(1)
        return strays

    def _seen_strays(self, ctx: RuleContext, row: int) -> NDArray[np.bool_]:
        """(512,) slots that strayed since the levels began to move: else each step of a chase rewords the incident."""
        strays: NDArray[np.bool_] = self._strays(ctx, np.array([row]))[0].view(np.uint8) > 0
        described_ns, seen = self._seen.get(row, (0, strays))
        if ctx.now_ns - described_ns < SAME_MOVE_NS:
            strays |= seen
        self._seen[row] = (int(ctx.now_ns), strays)
        return strays

    def describe(self, ctx: RuleContext, row: int) -> Finding:
        slots = np.flatnonzero(self._seen_strays(ctx, row)) + 1
        numbers = slots.tolist()
        before = [
            one for one in self._patch.fixtures_on(ctx.universe_id(row)) if numbers and one.last_slot < numbers[0]
        ]
        neighbour = max(before, key=lambda fixture: fixture.last_slot, default=None)
        near = ""
        # In several places the cause is not a fixture in a longer mode, but another patch.
        is_one_run = bool(numbers) and numbers[-1] - numbers[0] < len(numbers)
        if neighbour is not None and is_one_run and numbers[0] - neighbour.last_slot == 1:
            follow = "It follows" if len(numbers) == 1 else "They follow"
            near = f" {follow} {fixture_name(neighbour)}: it may run in a longer mode."
        shifted = self._say_shifted(ctx, row)
        return Finding(
            group=f"universe:{ctx.universe_id(row)}",
            since_ns=0,
            universes=(row,),
            networks=(int(ctx.universes.network[row]),),
            fixtures=(neighbour.name,) if near and neighbour is not None else (),
            facts=StrayLevelsFacts(wording.list_slots(slots), near),
            evidence=(f"{ctx.universe_name(row)}: unpatched slots above zero: {len(numbers)}.", *shifted),
            confidence=Confidence.CERTAIN,
            also_possible=("a patch list that is out of date", "a visiting rig"),
            next_checks=(LONGER_MODE,) if near else (),
        )

    def _say_shifted(self, ctx: RuleContext, row: int) -> tuple[str, ...]:
        """Where the levels fit another universe's patch: they may be on the wrong one."""
        declared = int(ctx.universes.declared[row])
        other = self._fitting_universe(ctx, declared, ctx.model.levels[row])
        if other is None:
            return ()
        own = ctx.universe_id(row).number
        why = (
            "universes counted from 0 in one place and from 1 in another"
            if abs(other.number - own) == 1
            else "a port map"
        )
        return (f"The levels fit the patch of {other}: they may be on the wrong universe ({why}).",)

    def _fitting_universe(self, ctx: RuleContext, declared: int, levels: NDArray[np.uint8]) -> UniverseId | None:
        """Give the declared universe whose patch these levels fit, if it is not their own; the nearest of several.

        levels: (512,).
        """
        universes, p = ctx.house.universes, self._p
        active = levels > 0
        count = int(active.sum())
        if count < p.fit_slots or self._patch.used(declared)[active].sum() > p.own_fit_ratio * count:
            return None
        # No smaller one can hold this many of them.
        wide = np.flatnonzero(self._patch.size >= p.other_fit_ratio * count)
        if not len(wide):
            return None
        inside, size = self._patch.count_used(active, wide), self._patch.size[wide]
        fits = wide[(inside >= p.other_fit_ratio * count) & (inside >= p.covered_ratio * np.maximum(size, 1))]
        own = universes[declared].id
        others = [universes[index].id for index in fits.tolist() if index != declared]
        near = [other for other in others if other.protocol is own.protocol]
        return min(near, key=lambda other: abs(other.number - own.number), default=None)


def changed_ns(ctx: RuleContext, row: int) -> int:
    """When the levels of a universe last changed."""
    return int(ctx.universes.last_change_ns[row])


def bind(setup: RuleSetup, p: StrayLevelsParameters) -> tuple[RuleBinding, ...]:
    strays = StrayLevels(setup.shared(PatchedSlots), p)
    return (RuleBinding(UNIVERSES, strays.has_strays, strays.describe, turned_ns=changed_ns),)


RULE = Rule(
    name="stray-levels",
    rule_class=RuleClass.PATCH,
    severity=Severity.NOTE,
    short=ShortWords("stray levels", "{n} universes with stray levels", look="Compare the patch"),
    sentence="{universes}: levels above zero in {slots}, which no fixture or circuit uses.{near}",
    judged_by=judged_by(StrayLevelsParameters(), bind),
    facts=StrayLevelsFacts,
    faults=("F75", "F78"),
    may_exceed_note=False,
    next_checks=("Compare the patch list with the patch of the desk.",),
)
