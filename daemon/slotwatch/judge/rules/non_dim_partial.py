"""A circuit that must be off or full has a level between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import ns_from_s
from slotwatch.judge import wording
from slotwatch.judge.binding import KEYS, Finding, RuleBinding, RuleSetup
from slotwatch.judge.context import RuleContext
from slotwatch.judge.explain import FIXTURE, Explains, Reach
from slotwatch.judge.lights import (
    FULL,
    MOST_CASES,
    NOT_SEEN,
    FixtureNames,
    carry_over,
    fixture_rows,
    fixture_text,
    gone,
    level_from,
    level_of,
    levels_changed_ns,
    levels_sent_ns,
    percent_of,
    slot_level,
)
from slotwatch.judge.parameters import Facts, RuleParameters, number
from slotwatch.judge.rule import COMPETENT, Rule, RuleClass, ShortWords, judged_by
from slotwatch.model.stage import Stage
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import UniverseId

MOST_NAMED = 200
"""Fixtures on one circuit that an incident lists."""
FixtureSlot = tuple[str, int]
"""Name of a fixture, and slot of its universe."""


@dataclass(frozen=True, slots=True)
class NonDimPartialParameters(RuleParameters):
    low_percent: float = number(1.0, "lowest partial level")
    high_percent: float = number(99.0, "highest partial level")
    dwell_s: float = number(2.0, "time at one level")
    creep_steps: int = number(2, "largest last step, of 255, of a slow fade that passes through")
    creep_dwell_s: float = number(10.0, "time at one level after such a step")
    keep_alive_s: float = number(1.0, "end of that time in which it need not be sent again", "ANSI E1.31-2018 6.6.2")


@dataclass(frozen=True, slots=True)
class NonDimPartialFacts(Facts):
    fixtures: str
    percent: int
    way: str
    on_it: str


class ParkedSlots:
    """The slots of non-dim circuits, and since when each has stood at its level."""

    def __init__(self, p: NonDimPartialParameters) -> None:
        self._low = level_from(p.low_percent)
        self._high = level_of(p.high_percent)
        self._dwell_ns = ns_from_s(p.dwell_s)
        self._creep_steps = p.creep_steps
        self._creep_dwell_ns = ns_from_s(p.creep_dwell_s)
        self._keep_alive_ns = ns_from_s(p.keep_alive_s)
        self._names = FixtureNames()
        self._keys: list[tuple[UniverseId, str, int]] = []
        self._value: NDArray[np.uint8] = np.zeros(0, np.uint8)
        self._since_ns: NDArray[np.int64] = np.zeros(0, np.int64)
        self._step: NDArray[np.int16] = np.zeros(0, np.int16)
        self._partial = False
        self._looked_ns = 0

    def _stage(self, ctx: RuleContext) -> Stage:
        """Give the model's stage; what is known of a slot stays when it has another patch."""
        stage: Stage = ctx.model.stage
        if self._names.follow(stage):
            slots = stage.plan.non_dim
            former, fixtures = self._keys, [stage.plan.fixtures[index] for index in slots.fixture.tolist()]
            self._keys = [
                (one.universe, one.name, slot) for one, slot in zip(fixtures, slots.slot.tolist(), strict=True)
            ]
            self._looked_ns = self._looked_ns or ctx.at_ns
            self._value = carry_over(self._value, self._keys, former, others=0)
            self._since_ns = carry_over(self._since_ns, self._keys, former, others=ctx.at_ns)
            self._step = carry_over(self._step, self._keys, former, others=FULL)
        return stage

    def parked(self, ctx: RuleContext) -> dict[FixtureSlot, int]:
        """A non-dim slot holds one level between off and full; a fade that passes through does not count."""
        stage = self._stage(ctx)
        slots = stage.plan.non_dim
        if stage.levels is None or not len(slots):
            return {}
        value = stage.levels.of(slots)
        step = np.abs(value.astype(np.int16) - self._value)
        moved = step > 0
        self._value = value
        self._since_ns[moved] = levels_changed_ns(ctx, stage, slots.declared[moved], self._looked_ns)
        self._looked_ns = ctx.now_ns
        self._step[moved] = step[moved]
        needed = np.where(self._step <= self._creep_steps, self._creep_dwell_ns, self._dwell_ns)
        partial = (value >= self._low) & (value <= self._high) & stage.levels.known(slots)
        self._partial = bool(partial.any())
        found = np.flatnonzero(partial & (ctx.now_ns - self._since_ns >= needed))
        # A level at which a source fell silent is one where it stopped, not one that it sends.
        sent_ns = levels_sent_ns(ctx, stage, slots.declared[found]) - self._since_ns[found]
        places = found[sent_ns >= needed[found] - self._keep_alive_ns][:MOST_CASES].tolist()
        fixtures = stage.plan.fixtures
        return {(fixtures[slots.fixture[i]].name, int(slots.slot[i]) + 1): int(self._since_ns[i]) for i in places}

    def is_one_partial(self, ctx: RuleContext) -> bool:
        """Whether a relay's slot is between off and full: looked at rarely, a chase could seem to hold that level."""
        return self._partial

    def describe(self, ctx: RuleContext, key: FixtureSlot) -> Finding:
        name, slot = key
        stage = self._stage(ctx)
        fixture = self._names.find(name)
        if fixture is None:
            return gone(name, NonDimPartialFacts(name, 0, "", ""))
        level = slot_level(stage, fixture, slot)
        way = stage.plan.way_of_slot(fixture.universe, slot)
        module = way[2].module if way is not None and way[2] is not None else ""
        where = f" on a {module} way, {way[0]} way {way[1]}" if way is not None and module else ""
        circuit = way[2].name if way is not None and way[2] is not None else fixture.circuit
        hanging = [one for one in stage.plan.fixtures if circuit and one.circuit == circuit and one.name != name]
        on_it = f" On circuit {circuit}: {wording.list_names(map(fixture_text, hanging))}." if hanging else ""
        return Finding(
            group=f"fixture:{name}",
            since_ns=0,
            universes=fixture_rows(stage, fixture),
            fixtures=(name, *dict.fromkeys(one.name for one in hanging[:MOST_NAMED])),
            facts=NonDimPartialFacts(fixture_text(fixture), percent_of(level), where, on_it),
            evidence=(f"{fixture.universe} slot {slot} is at {level} of {FULL}. {NOT_SEEN}",),
            # Only a dimmer harms what must not be dimmed; a relay stays on or off.
            lower=0 if module == "dimmer" else 1,
            weight=min(level, FULL - level) + FULL * (module == "dimmer"),
        )


def bind(setup: RuleSetup, p: NonDimPartialParameters) -> tuple[RuleBinding, ...]:
    if not setup.declares("fixtures"):
        return ()
    slots = ParkedSlots(p)
    return (RuleBinding(KEYS, slots.parked, slots.describe, timed=True, is_wary=slots.is_one_partial),)


RULE = Rule(
    name="non-dim-partial",
    rule_class=RuleClass.PATCH,
    severity=Severity.CRITICAL,
    short=ShortWords(
        "{fixture} not off or full", "{n} fixtures not off or full", look="Look at the cue that holds it", audience=4
    ),
    sentence="{fixtures}: a circuit that must be off or full is at {percent} %{way}{worst_of}.{on_it}",
    judged_by=judged_by(NonDimPartialParameters(), bind),
    facts=NonDimPartialFacts,
    explains=Explains(165, Reach(FIXTURE, rules=frozenset({"powered-off"}))),
    faults=("F80", "F81"),
    next_checks=(
        "Look at the cue, submaster or grand master that holds this circuit.",
        "Look at what is connected to the circuit: motors, transformers and LED supplies can be damaged.",
    ),
    next_checks_quiet=(f"Have the module in the rack checked {COMPETENT}.",),
)
