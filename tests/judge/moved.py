"""Rows of `test_parameters`: one number of one rule at another value, and what is just under and just over it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

import numpy as np

from slotwatch.house.schema import House
from slotwatch.judge.rule import Rule
from slotwatch.model.windows import COLUMNS
from slotwatch.snapshot import Incident
from tests.judge.cases import FROM_S, Play
from tests.judge.stage import Stage, house_of, opened_after_s
from tests.judge.still import one_stream
from tests.judge.test_flow_rules import WELL

Rules = Sequence[Rule]
Tells = Callable[[Sequence[Incident]], bool]


def is_raised(incidents: Sequence[Incident]) -> bool:
    return bool(incidents)


def opens_by(seconds: float) -> Tells:
    """Whether it is raised at that time after FROM_S or before."""
    return lambda incidents: any(opened_after_s(one) <= FROM_S + seconds for one in incidents)


def is_open(incidents: Sequence[Incident]) -> bool:
    return any(one.closed_ns is None for one in incidents)


def says(text: str) -> Tells:
    """Whether its summary or evidence has these words."""
    return lambda incidents: any(text in " ".join((one.summary, *one.evidence)) for one in incidents)


def has_cause(cause: str) -> Tells:
    return lambda incidents: any(one.cause == cause for one in incidents)


@dataclass(frozen=True)
class Moved:
    """One number at another value. `play` gives all incidents of what is just under it, or just over it."""

    rule: str
    parameter: str
    value: float
    play: Callable[[Rules, bool], Sequence[Incident]]
    tells: Tells = is_raised
    beside: frozenset[str] = frozenset()
    """Rules that are raised or not as this one is, because it explains them or their delay runs with it."""
    seen_on: str = ""
    """The rule whose incidents show it, if that is another one."""

    @property
    def shown_by(self) -> str:
        """The rule whose incidents show it."""
        return self.seen_on or self.rule

    def both(self, rules: Rules) -> tuple[Sequence[Incident], Sequence[Incident]]:
        """All incidents of what is just under it, and of what is just over it."""
        if isinstance(self.play, Watched):
            return self.play.both(rules)
        return self.play(rules, False), self.play(rules, True)


def columns(under: dict[str, Any], over: dict[str, Any], **always: Any) -> Callable[[Rules, bool], Sequence[Incident]]:
    """Stream columns for 5 s, after 7 s in which all is well."""

    def play(rules: Rules, is_over: bool) -> Sequence[Incident]:
        still = one_stream(house_of((1,)), rules=rules)
        return still.run(7.0, **WELL).run(5.0, **{**WELL, **always, **(over if is_over else under)}).reported

    return play


WINDOW_COLUMNS = {name for name, _, _ in COLUMNS}


def counted(*counts: tuple[int, int]) -> Callable[[float], Callable[[Rules], Sequence[Incident]]]:
    """What the model counted for a second, so long ago: (what, how many in each tenth of a second)."""

    def ago(seconds: float) -> Callable[[Rules], Sequence[Incident]]:
        def play(rules: Rules) -> Sequence[Incident]:
            still = one_stream(house_of((1,)), rules=rules)
            windows, row = still.streams.windows, np.array([0])
            still.run(
                7.0, **{name: value for name, value in WELL.items() if not name.endswith("0s") and "_5s" not in name}
            )
            for bucket in range(round(seconds * 10)):
                for what, count in counts if bucket < 10 else ():
                    windows.add(what, row, np.int16(count))
                windows.fold()
                windows.turn()
            return still.run(0.5).reported

        return play

    return ago


def aged(rule: str, value: float, *counts: tuple[int, int], beside: frozenset[str] = frozenset()) -> Moved:
    """A window: what was counted lies just outside it, or inside."""
    ago = counted(*counts)
    outside, inside = ago(value + 1.5), ago(value - 0.5)
    return Moved(rule, "window_s", value, lambda rules, is_over: (inside if is_over else outside)(rules), beside=beside)


@dataclass(frozen=True)
class Watched:
    """One play, looked at at two times: what is just under, and what is just over."""

    stage: Callable[[Rules], Stage]
    ends_s: tuple[float, float]

    def __call__(self, rules: Rules, is_over: bool) -> Sequence[Incident]:
        return self.stage(rules).run(self.ends_s[is_over]).all

    def both(self, rules: Rules) -> tuple[Sequence[Incident], Sequence[Incident]]:
        """Give what is just under and what is just over, of one run: as it was then, for an incident continues."""
        stage = self.stage(rules)
        found = {end_s: deepcopy(stage.run(end_s).all) for end_s in sorted(self.ends_s)}
        return found[self.ends_s[0]], found[self.ends_s[1]]


def twice(play: Callable[[], Play]) -> tuple[Callable[[], Play], Callable[[], Play]]:
    """The same under and over: they differ in when they are looked at."""
    return play, play


def plays(
    house: House, under: Callable[[], Play], over: Callable[[], Play], until_s: float | tuple[float, float]
) -> Callable[[Rules, bool], Sequence[Incident]]:
    """Senders and observations, watched until a time; until two where what is under and over differs in that."""
    ends_s = until_s if isinstance(until_s, tuple) else (until_s, until_s)

    def stage(rules: Rules, made: Play) -> Stage:
        shown = Stage(house, *(one for one in made if not isinstance(one, tuple)), rules=rules, every_tick=True)
        for one in made:
            if isinstance(one, tuple):
                shown.see(*one)
        return shown

    if under is over:
        return Watched(lambda rules: stage(rules, under()), ends_s)
    return lambda rules, is_over: stage(rules, (over if is_over else under)()).run(ends_s[is_over]).all
