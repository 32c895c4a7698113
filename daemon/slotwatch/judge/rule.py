"""What a row of the rule table is. The table itself is `judge.catalog`."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from slotwatch.house.schema import Phase
from slotwatch.snapshot import Severity

COMMON_PRACTICE = "common practice, no source"


class RuleClass(StrEnum):
    LOSS = "loss"
    FLOW = "flow"
    CONTROL = "control"
    PATCH = "patch"
    STORM = "storm"
    SELF = "self"


@dataclass(frozen=True, slots=True)
class Threshold:
    """One number a rule compares with, with its unit and where it comes from."""

    name: str
    """With its unit in it: `gap_ms`, `loss_ratio`."""
    value: float
    text: str
    source: str
    """Clause of a standard, or "common practice, no source"."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One condition that is judged all the time. The engine, the documents and the page all read this."""

    name: str
    rule_class: RuleClass
    severity: Severity
    """In `show`."""
    sentence: str
    """What it says when raised, for people: "{universe} …". Placeholders are named."""
    on_delay_s: float
    off_delay_s: float = 10.0
    thresholds: tuple[Threshold, ...] = ()
    source: str = COMMON_PRACTICE
    faults: tuple[str, ...] = ()
    next_checks: tuple[str, ...] = ()
    """Ordered by how likely and how quick; only things to look at."""
    next_checks_quiet: tuple[str, ...] = field(default=())
    """Further ones for `dark`, `get-in`, `rehearsal` and `post-show`, which may touch things."""
    may_exceed_note: bool = True
    """False: a note in every phase."""

    def threshold(self, name: str) -> float:
        for row in self.thresholds:
            if row.name == name:
                return row.value
        raise KeyError(name)


def quiet_phase(phase: Phase) -> bool:
    """Whether next checks may ask a person to touch something."""
    return phase not in (Phase.PRE_SHOW, Phase.SHOW)
