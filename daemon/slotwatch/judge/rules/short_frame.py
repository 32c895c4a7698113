"""Frames end before the slots that the patch uses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from slotwatch.judge import wording
from slotwatch.judge.binding import UNIVERSES, Finding, Mask, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import Effect
from slotwatch.judge.lights import fixture_name
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.patched import PatchedSlots
from slotwatch.judge.rule import Rule, RuleClass, ShortWords, judged_by
from slotwatch.judge.subjects import declares_universes
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import SLOTS


@dataclass(frozen=True, slots=True)
class ShortFrameParameters(RuleParameters):
    on_delay_s: float = number(5.0, "time that no source covers the patched slots before the incident opens")


@dataclass(frozen=True, slots=True)
class ShortFrameFacts(Facts):
    slots: int
    need: str


class ShortFrames:
    """Compares the slots that arrive with those that the patch uses."""

    def __init__(self, patch: PatchedSlots) -> None:
        self._patch = patch

    def is_short(self, ctx: RuleContext) -> Mask:
        """No live source covers all slots that the patch uses, or any slot where nothing is patched."""
        universes = ctx.universes
        needed = np.maximum(self._patch.needed[universes.declared], 1)
        short: Mask = universes.used & (universes.declared >= 0) & (universes.live > 0) & (universes.slots < needed)
        for row in np.flatnonzero(short).tolist():
            short[row] = self._covered(ctx, row) < needed[row]
        return short

    @staticmethod
    def _covered(ctx: RuleContext, row: int) -> int:
        rows = ctx.streams_of(row)
        rows = rows[ctx.live[rows] & (ctx.streams.frames[rows] > 0)]  # of what is discarded no length is known
        return int(ctx.streams.slots[rows].max()) if len(rows) else SLOTS

    def describe(self, ctx: RuleContext, row: int) -> Finding:
        slots, needed = self._covered(ctx, row), int(self._patch.needed[ctx.universes.declared[row]])
        cut = [fixture for fixture in self._patch.fixtures_on(ctx.universe_id(row)) if fixture.last_slot > slots]
        rows = [stream for stream in ctx.streams_of(row).tolist() if ctx.live[stream]]
        need, evidence = "so that it holds no levels at all", "frames without any slot."
        if needed:
            need = f"the patch needs {needed}: no data for {wording.list_names(map(fixture_name, cut))}"
            evidence = f"frames of {slots} slots; the patch ends at slot {needed}."
        return Finding(
            group=f"universe:{ctx.universe_id(row)}",
            since_ns=0,
            universes=(row,),
            streams=tuple(rows),
            networks=(int(ctx.universes.network[row]),),
            fixtures=tuple(fixture.name for fixture in cut),
            facts=ShortFrameFacts(slots, need),
            evidence=(f"{ctx.universe_name(row)}: {evidence}",),
        )


def bind(setup: RuleSetup, p: ShortFrameParameters) -> tuple[RuleBinding, ...]:
    frames = ShortFrames(setup.shared(PatchedSlots))
    return (RuleBinding(UNIVERSES, frames.is_short, frames.describe, subject=declares_universes),)


RULE = Rule(
    name="short-frame",
    rule_class=RuleClass.LOSS,
    severity=Severity.CRITICAL,
    short=ShortWords("{place} too short", "{n} universes too short", audience=5),
    sentence="{universes} carries {slots} slots, {need}.",
    judged_by=judged_by(ShortFrameParameters(), bind),
    facts=ShortFrameFacts,
    effects=frozenset({Effect.SILENCE}),
    source="ANSI E1.31-2018 7.6 (fewer slots are legal); the time: common practice, no source",
    faults=("F55", "F56"),
    next_checks=(
        "Look at the source's output setting: does it send full universes or only the patched part?",
        "Look at the fixtures with the highest addresses of this universe.",
    ),
)
