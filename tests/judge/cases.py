"""One rule as a row of a table: what is just too little, what is just enough, when it opens and when it closes.

A play is a list of senders and of (seconds, observation) pairs. In `over` the fault begins at FROM_S and ends at END_S.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from slotwatch.house.schema import DeclaredSource, House
from slotwatch.judge.catalog import CATALOG, RULES
from slotwatch.judge.rule import Rule
from slotwatch.snapshot import Incident, Severity
from slotwatch.wire.observation import Observation
from tests.judge.stage import START_NS, Desk, Levels, S, Stage, still

FROM_S, END_S = 4.0, 20.0
HZ = 10.0
Play = Sequence[object]
A = DeclaredSource("main desk", address="10.0.0.1", priority=100)
B = DeclaredSource("spare desk", address="10.0.0.2", role="backup")
BY = ("main desk", "spare desk")


@dataclass(frozen=True)
class Case:
    rule: str
    house: House
    under: Callable[[], Play]
    over: Callable[[], Play]
    opens_s: tuple[float, float]
    """Earliest and latest after FROM_S."""
    label: str = ""
    closes_s: tuple[float, float] = (9.9, 10.3)
    """Earliest and latest after END_S; the off-delay is 10 s where a rule does not say otherwise."""
    severity: Severity | None = None
    """In the phase show; None: the table's."""
    beside: frozenset[str] = frozenset()
    """Rules that the play breaks as well."""
    joined: bool = True
    until_s: float | None = None
    """Until when what is just too little is watched; None: three seconds after it would have been raised."""
    end_s: float = END_S
    sentence: str = ""
    """What a person reads when it is raised. Older rules have theirs in sentences.toml."""

    @property
    def name(self) -> str:
        return f"{self.rule} {self.label}".strip()

    def stage(self, play: Play, rules: Sequence[Rule] = RULES) -> Stage:
        senders = (one for one in play if not isinstance(one, tuple))
        shown = Stage(self.house, *senders, joined=self.joined, rules=rules, every_tick=True)
        for one in play:
            if isinstance(one, tuple):
                shown.see(*one)
        return shown

    def of(self, stage: Stage) -> list[Incident]:
        return [incident for incident in stage.all if incident.rule == self.rule]

    @property
    def watched_s(self) -> float:
        return FROM_S + self.opens_s[1] + 3.0 if self.until_s is None else self.until_s

    @property
    def due(self) -> Severity:
        return CATALOG[self.rule].severity if self.severity is None else self.severity


def at(seconds: float) -> int:
    return START_NS + round(seconds * S)


def see(
    seconds: float, make: Callable[..., Observation], *values: object, **named: object
) -> tuple[float, Observation]:
    """An observation at its time, which is its first field."""
    return seconds, make(at(seconds), *values)


def desk(number: int = 1, universes: tuple[int, ...] = (1,), **more: object) -> Desk:
    more.setdefault("levels", still(100))
    more.setdefault("hz", HZ)
    more.setdefault("address", f"10.0.0.{number}")
    return Desk(f"Desk {'ABCD'[number - 1]}", universes, number=number, **more)  # type: ignore[arg-type]


def while_(change: Levels, otherwise: Levels, from_s: float = FROM_S, to_s: float = END_S) -> Levels:
    """Levels that are others for a time."""
    return lambda t: change(t) if from_s <= t < to_s else otherwise(t)


def lost_between(from_s: float, to_s: float) -> Callable[[int, int, float], bool]:
    """Frames that do not arrive for a time."""
    return lambda universe, index, t: from_s <= t < to_s


def with_numbers(rule: str, **numbers: float) -> tuple[Rule, ...]:
    """The rule table with other numbers for one of its rules."""
    return tuple(one.changed(**numbers) if one.name == rule else one for one in RULES)
