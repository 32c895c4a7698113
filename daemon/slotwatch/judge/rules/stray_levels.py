"""Slots that no fixture or circuit uses are above zero, on a universe that has a patch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import Fixture
from slotwatch.judge import wording
from slotwatch.judge.binding import UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lights import fixture_name
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.patched import PatchedSlots
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.winning import any_above, winning_levels
from slotwatch.snapshot import Confidence, Severity
from slotwatch.wire.universe import UniverseId

LONGER_MODE = "Look at the fixture before these slots: it may run in another mode than the patch says."
SAME_MOVE_NS = 10 * NANOSECONDS
"""Levels that change within this time move on; after it they are looked at again."""
DESCRIBED_AT_ONCE = 256
"""Universes whose levels are looked at together once one of them is described: about as many as one pass raises."""
COMPARED_AT_ONCE = 65_536
"""Pairs of a universe and a layout of the patch that are compared at once: 0.5 MiB."""


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


class Span(NamedTuple):
    """Slots of one universe."""

    slots: int
    first: int
    last: int
    words: str


class StrayLook:
    """Levels of some universes at one moment, beside the patch. All arrays are by place in `place_of`."""

    def __init__(self, rows: NDArray[np.intp], strays: NDArray[np.bool_], fits: dict[int, UniverseId]) -> None:
        self.place_of = {row: place for place, row in enumerate(rows.tolist())}
        self.strays = strays
        """(n, 512) unpatched slots above zero."""
        self.fits = fits
        """By universe row, the other universe whose patch its levels fit."""
        self._spans: dict[bytes, Span] = {}

    def span(self, strays: NDArray[np.bool_]) -> Span:
        """Sum up which slots stray; many universes may have the same."""
        key = strays.tobytes()
        span = self._spans.get(key)
        if span is None:
            numbers = strays.nonzero()[0] + 1
            first, last = (int(numbers[0]), int(numbers[-1])) if len(numbers) else (0, 0)
            span = self._spans[key] = Span(len(numbers), first, last, wording.list_slots(numbers))
        return span


class StrayLevels:
    """Compares levels with the slots that the patch uses."""

    def __init__(self, patch: PatchedSlots, p: StrayLevelsParameters) -> None:
        self._patch = patch
        self._p = p
        self._stray_rows: NDArray[np.intp] = np.zeros(0, np.intp)
        """Universe rows of which the condition was true when it was asked last."""
        self._look_of: tuple[int, int] = (-1, -1)
        self._last_look: StrayLook | None = None
        self._seen: dict[int, tuple[int, NDArray[np.bool_]]] = {}
        """Of a universe row: when it was last described, and (512,) strays since they began."""

    def _strays(self, ctx: RuleContext, rows: NDArray[np.intp]) -> NDArray[np.uint64]:
        """(n, 64) levels of eight slots each; 0 in those that are used."""
        strays: NDArray[np.uint64] = winning_levels(ctx.model, rows).view(np.uint64)
        strays &= self._patch.unused(ctx.universes.declared[rows])
        return strays

    def has_strays(self, ctx: RuleContext) -> Mask:
        """A slot that no fixture or circuit uses is above zero, on a universe that has a patch."""
        universes = ctx.universes
        strays = np.zeros(universes.count, np.bool_)
        patched = universes.used & (universes.declared >= 0) & (self._patch.needed[universes.declared] > 0)
        rows = np.flatnonzero(patched & (universes.live > 0))
        layout_of = self._patch.layout_of[universes.declared[rows]]
        strays[rows] = any_above(ctx.model, rows, self._patch.unused_words, layout_of)
        self._stray_rows = np.flatnonzero(strays)
        return strays

    def _look(self, ctx: RuleContext, row: int) -> StrayLook:
        """Look at a universe, and at those that are likely to be described after it in this pass."""
        moment = (int(ctx.now_ns), ctx.model.revision)
        look = self._last_look
        if look is None or self._look_of != moment or row not in look.place_of:
            first = int(self._stray_rows.searchsorted(row))
            rows = self._stray_rows[first : first + DESCRIBED_AT_ONCE]
            if not len(rows) or rows[0] != row:
                rows = np.array([row])
            look = StrayLook(
                rows, self._strays(ctx, rows).view(np.uint8) > 0, fitting_universes(ctx, rows, self._patch, self._p)
            )
            self._look_of, self._last_look = moment, look
        return look

    def _seen_strays(self, ctx: RuleContext, row: int, look: StrayLook) -> NDArray[np.bool_]:
        """(512,) slots that strayed since the levels began to move: else each step of a chase rewords the incident."""
        strays: NDArray[np.bool_] = look.strays[look.place_of[row]].copy()
        described_ns, seen = self._seen.get(row, (0, strays))
        if ctx.now_ns - described_ns < SAME_MOVE_NS:
            strays |= seen
        self._seen[row] = (int(ctx.now_ns), strays)
        return strays

    def describe(self, ctx: RuleContext, row: int) -> Finding:
        look = self._look(ctx, row)
        strays = self._seen_strays(ctx, row, look)
        span = look.span(strays)
        # In several places the cause is not a fixture in a longer mode, but another patch.
        is_one_run = span.slots > 0 and span.last - span.first < span.slots
        neighbour = self._last_before(ctx.universe_id(row), span.first) if is_one_run else None
        near = ""
        if neighbour is not None and span.first - neighbour.last_slot == 1:
            follow = "It follows" if span.slots == 1 else "They follow"
            near = f" {follow} {fixture_name(neighbour)}: it may run in a longer mode."
        shifted = self._say_shifted(ctx, row, look.fits.get(row))
        return Finding(
            group=f"universe:{ctx.universe_id(row)}",
            since_ns=0,
            universes=(row,),
            networks=(int(ctx.universes.network[row]),),
            fixtures=(neighbour.name,) if near and neighbour is not None else (),
            facts=StrayLevelsFacts(span.words, near),
            evidence=(
                f"{ctx.universe_name(row)}: {wording.count(span.slots, 'unpatched slot')} above zero.",
                *shifted,
            ),
            confidence=Confidence.CERTAIN,
            also_possible=("a patch list that is out of date", "a visiting rig"),
            next_checks=(LONGER_MODE,) if near else (),
        )

    def _last_before(self, universe: UniverseId, slot: int) -> Fixture | None:
        """Give the fixture that ends last before a slot."""
        before = [one for one in self._patch.fixtures_on(universe) if one.last_slot < slot]
        return max(before, key=lambda fixture: fixture.last_slot, default=None)

    def _say_shifted(self, ctx: RuleContext, row: int, other: UniverseId | None) -> tuple[str, ...]:
        """Where the levels fit another universe's patch: they may be on the wrong one."""
        if other is None:
            return ()
        own = ctx.universe_id(row).number
        why = (
            "universes counted from 0 in one place and from 1 in another"
            if abs(other.number - own) == 1
            else "a port map"
        )
        return (f"The levels fit the patch of {other}: they may be on the wrong universe ({why}).",)


def fitting_universes(
    ctx: RuleContext, rows: NDArray[np.intp], patch: PatchedSlots, p: StrayLevelsParameters
) -> dict[int, UniverseId]:
    """Give the declared universe whose patch the levels of each row fit, if it is not their own; the nearest of
    several."""
    declared, active = ctx.universes.declared[rows], ctx.model.levels[rows] > 0
    count = active.sum(1)
    fits_own = (patch.used(declared) & active).sum(1) > p.own_fit_ratio * count
    asked = np.flatnonzero((count >= p.fit_slots) & ~fits_own)
    step = max(1, COMPARED_AT_ONCE // max(1, len(patch.size)))
    found: dict[int, UniverseId] = {}
    for some in (asked[first : first + step] for first in range(0, len(asked), step)):
        inside = patch.count_used(active[some])
        fits = inside >= p.other_fit_ratio * count[some, None]
        fits &= inside >= p.covered_ratio * np.maximum(patch.size, 1)
        for at in np.flatnonzero(fits.any(1)).tolist():
            place = some[at]
            nearest = _nearest(ctx, int(declared[place]), np.flatnonzero(fits[at][patch.layout_of[:-1]]))
            if nearest is not None:
                found[int(rows[place])] = nearest
    return found


def _nearest(ctx: RuleContext, declared: int, places: NDArray[np.intp]) -> UniverseId | None:
    """Of declared universes by their places in the house, give the other one of that protocol with the nearest
    number."""
    universes = ctx.house.universes
    own = universes[declared].id
    others = [universes[place].id for place in places.tolist() if place != declared]
    near = [other for other in others if other.protocol is own.protocol]
    return min(near, key=lambda other: abs(other.number - own.number), default=None)


def changed_ns(ctx: RuleContext, row: int) -> int:
    """When the levels of a universe last changed."""
    return int(ctx.universes.last_change_ns[row])


def bind(setup: RuleSetup, p: StrayLevelsParameters) -> tuple[RuleBinding, ...]:
    patch = setup.shared(PatchedSlots)
    strays = StrayLevels(patch, p)
    return (RuleBinding(UNIVERSES, strays.has_strays, strays.describe, subject=patch.is_any, turned_ns=changed_ns),)


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
