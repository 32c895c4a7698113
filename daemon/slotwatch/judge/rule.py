"""What a rule is: its row in the rule table, and what judges it.

Each rule has one module in `judge.rules`, which holds all of it. `judge.catalog` collects them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum
from string import Formatter
from typing import Generic, Protocol

from slotwatch.house.schema import Phase
from slotwatch.judge.binding import RuleBinding, RuleSetup
from slotwatch.judge.explain import NOTHING, Effect, Explains
from slotwatch.judge.parameters import COMMON_PRACTICE, Facts, P, RuleParameters, Threshold
from slotwatch.snapshot import Severity

COMPETENT = "by a competent person, isolated, under local rules"
"""The person who may open or measure electrical equipment."""
LOOK_AT_STAGE = "Look at the stage: do the racks and fixtures hold their last look, or fade?"
LOOK_WHO_FOLLOWS = "Look at the stage: do the lights still follow?"
"""The same where another source sends what one no longer does: nothing holds or fades."""
LOOK_AT_SNOOPING = "Look at the switch's snooping page: is there a querier, is the group table full?"
LOOK_AT_OWN_LEADS = (
    "Look at this computer's two network leads: each may be in the other's socket.",
    "Find out which VLANs its two switch ports carry.",
)
LOOK_FOR_A_SECOND = "Look for a second program on the source's computer, and for another computer with its address."
CLEAR_FIRST = "Lights may move or go out: clear the rig first."
"""Begins each next check that asks a person to touch something."""
COMMON_PLACEHOLDERS = frozenset(
    {"universes", "sources", "from_sender", "since", "verdict", "works", "worst", "worst_of"}
)
"""What every sentence may use. `{from_sender}` begins with a space: ` from "Desk A" (10.0.0.1)`, or is empty.
`{worst}`, of several universes, says of which one the figures before it are: ` on e131/5, the worst of them`.
`{worst_of}`, of several cases, says how many there are in the rule's short words: `, the worst of 7 ways over …`."""


class RuleClass(StrEnum):
    LOSS = "loss"
    FLOW = "flow"
    CONTROL = "control"
    PATCH = "patch"
    STORM = "storm"
    SELF = "self"


class Judging(Protocol):
    """What judges a rule: its numbers, and its bindings made of them."""

    @property
    def parameters(self) -> RuleParameters: ...

    def bindings(self, setup: RuleSetup) -> tuple[RuleBinding, ...]: ...

    def changed(self, **numbers: float) -> Judging: ...


@dataclass(frozen=True, slots=True)
class JudgedBy(Generic[P]):
    """A rule's parameters, and the function that makes its bindings of them."""

    parameters: P
    bind: Callable[[RuleSetup, P], tuple[RuleBinding, ...]]
    """Gives no binding where the house declares nothing that the rule could judge."""

    def bindings(self, setup: RuleSetup) -> tuple[RuleBinding, ...]:
        """Make its bindings for one house."""
        return self.bind(setup, self.parameters)

    def changed(self, **numbers: float) -> JudgedBy[P]:
        """Give the same with other numbers."""
        return JudgedBy(replace(self.parameters, **numbers), self.bind)


def judged_by(parameters: P, bind: Callable[[RuleSetup, P], tuple[RuleBinding, ...]]) -> Judging:
    """Join a rule's parameters with the function that makes its bindings of them."""
    return JudgedBy(parameters, bind)


MOST_AUDIENCE = 6


@dataclass(frozen=True, slots=True)
class ShortWords:
    """What the top of the page says of a rule, in words that can be read across a room."""

    one: str
    """For one case. May contain {place}: a universe by its label, {source} or {fixture}: a name."""
    many: str
    """For several cases. {n} is how many."""
    look: str = ""
    """One thing to look at, where the first next check is too long for a line."""
    audience: int = 1
    """How soon an audience sees it, 1 to MOST_AUDIENCE: of one severity the highest comes first."""
    on_its_screen: bool = False
    """Whether to look at the source's own screen, if one source is named."""

    def __post_init__(self) -> None:
        """Raise ValueError for a placeholder that nothing fills."""
        for text, known in ((self.one, {"place", "source", "fixture"}), (self.many, {"n"})):
            if wrong := {name for _, name, _, _ in Formatter().parse(text) if name is not None} - known:
                raise ValueError(f"nothing fills {', '.join(sorted(wrong))} in {text!r}")


@dataclass(frozen=True, slots=True)
class Rule:
    """One condition that is judged all the time. The engine, the documents and the page all read this."""

    name: str
    rule_class: RuleClass
    severity: Severity
    """In `show`."""
    short: ShortWords
    sentence: str
    """What it says when raised, for people: "{universes} …".

    Placeholders: COMMON_PLACEHOLDERS, the fields of `facts`, and its own numbers by name: `in {window_s:g} s`.
    """
    judged_by: Judging
    facts: type[Facts] = Facts
    effects: frozenset[Effect] = frozenset()
    """As what wide faults explain it."""
    explains: Explains = NOTHING
    """What it explains itself."""
    found_after: tuple[str, ...] = ()
    """Parameters whose sum is the time that it must look before it finds again what was there before a restart."""
    quiet_in_dark: bool = False
    """For class self: a note while the house is dark, since switches are off at night."""
    may_be_quiet: bool = True
    """Whether a quiet window may make it a note."""
    shares_a_path: bool = False
    """Whether cases of several sources at once have one cause between them and this port."""
    names_universes: bool = True
    """Whether its incidents name universes; others are about this computer, a network or an address."""
    measured: tuple[Threshold, ...] = ()
    """Numbers that the model or the listener counts with: the very constants, shown beside the parameters."""
    source: str = COMMON_PRACTICE
    faults: tuple[str, ...] = ()
    next_checks: tuple[str, ...] = ()
    """Ordered by how likely and how quick; only things to look at."""
    next_checks_quiet: tuple[str, ...] = field(default=())
    """Further ones for `dark`, `get-in`, `rehearsal` and `post-show`, which may touch things."""
    touch_nothing_for: frozenset[str] = frozenset()
    """Causes with which those would only do harm: the leads that they are about work."""
    may_exceed_note: bool = True
    """False: a note in every phase."""
    tells_a_moment: bool = False
    """Whether it tells what happened at one moment, and is shown for a while after: nothing lasted so long."""

    def __post_init__(self) -> None:
        """Raise ValueError for a placeholder that nothing fills, and a fact that is unused or named as a number is."""
        used = {name for _, name, _, _ in Formatter().parse(self.sentence) if name is not None}
        own = {one.name for one in fields(self.facts)}
        if unknown := used - own - self.numbers().keys() - COMMON_PLACEHOLDERS:
            raise ValueError(f"{self.name}: nothing fills {', '.join(sorted(unknown))} in its sentence")
        if unused := own - used:
            raise ValueError(f"{self.name}: its sentence does not use {', '.join(sorted(unused))}")
        if both := own & self.numbers().keys():
            raise ValueError(f"{self.name}: {', '.join(sorted(both))} is a fact and a number")

    @property
    def parameters(self) -> RuleParameters:
        """Every number that it is judged with."""
        return self.judged_by.parameters

    @property
    def found_again_s(self) -> float:
        """Time after a restart within which it finds again what lasts, if that is long."""
        numbers = self.parameters.by_name()
        return self.on_delay_s + sum(float(str(numbers[name])) for name in self.found_after)

    def numbers(self) -> dict[str, object]:
        """Give what its sentence may use: parameters, and what it is measured with, by name."""
        return {**{row.name: row.value for row in self.measured}, **self.parameters.by_name()}

    @property
    def is_of_listener(self) -> bool:
        """Whether it is about this listener and its own network, and calls for somebody."""
        return self.rule_class is RuleClass.SELF and self.severity > Severity.NOTE

    @property
    def reading_rank(self) -> int:
        """Rank of one severity, the highest first: this listener's own faults, then what an audience sees soonest."""
        return MOST_AUDIENCE + 1 if self.is_of_listener else self.short.audience

    def changed(self, **numbers: float) -> Rule:
        """Give the same rule with other numbers."""
        return replace(self, judged_by=self.judged_by.changed(**numbers))

    def shown_sentence(self) -> str:
        """Give the sentence for the documents: parameters filled in, facts left as placeholders."""
        numbers = self.numbers()
        parts = []
        for text, name, spec, _ in Formatter().parse(self.sentence):
            parts.append(text)
            if name is not None:
                parts.append(format(numbers[name], spec or "") if name in numbers else f"{{{name}}}")
        return "".join(parts)

    @property
    def on_delay_s(self) -> float:
        """How long its condition holds before the incident opens."""
        return self.parameters.on_delay_s

    @property
    def off_delay_s(self) -> float:
        """How long its condition is gone before it is over."""
        return self.parameters.off_delay_s


def quiet_phase(phase: Phase) -> bool:
    """Whether next checks may ask a person to touch something."""
    return phase not in (Phase.PRE_SHOW, Phase.SHOW)
