"""Patched fixtures among the rows and levels of the model's stage, found by name.

Every finding about a light is about what is commanded; nothing here sees a lamp. Cases are keyed by names, so that
they outlive a reload.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import Fixture
from slotwatch.judge.binding import Finding
from slotwatch.judge.context import RuleContext
from slotwatch.judge.parameters import Facts
from slotwatch.model.lightplan import LightPlan
from slotwatch.model.stage import Stage

S = TypeVar("S", bound=np.generic)

NOT_SEEN = "slotwatch sees the command, not the light."
FULL = 255
MOST_CASES = 500
"""Cases of one rule beyond this add nothing for the reader."""


def level_of(percent: float) -> int:
    """Give the level (0 to 255) of a percentage, rounded down."""
    return int(percent * FULL / 100)


def level_from(percent: float) -> int:
    """Give the lowest level (0 to 255) that is not under a percentage."""
    return math.ceil(percent * FULL / 100)


def percent_of(level: int) -> int:
    """Give a level (0 to 255) in percent of full."""
    return round(100 * level / FULL)


class FixtureNames:
    """The fixtures of the stage's plan by name. `follow` notices another plan."""

    def __init__(self) -> None:
        self.plan: LightPlan | None = None

    def follow(self, stage: Stage) -> bool:
        """Take the stage's plan; true if it is another than before."""
        if stage.plan is self.plan:
            return False
        self.plan = stage.plan
        return True

    def find(self, name: str) -> Fixture | None:
        """Give a fixture; None if the house file no longer has it."""
        number = None if self.plan is None else self.plan.number_of.get(name)
        return None if number is None or self.plan is None else self.plan.fixtures[number]

    def number(self, name: str) -> int:
        """Give a fixture's place in the plan."""
        assert self.plan is not None
        return self.plan.number_of[name]


def carry_over(values: NDArray[S], keys: Sequence[Hashable], former: Sequence[Hashable], *, others: int) -> NDArray[S]:
    """Give what was remembered of some things in the order of another patch; `others`: of those that are new in it."""
    place = {key: number for number, key in enumerate(former)}
    found = np.full(len(keys), others, values.dtype)
    known = [(number, place[key]) for number, key in enumerate(keys) if key in place]
    if known:
        after, before = np.array(known, np.intp).T
        found[after] = values[before]
    return found


def fixture_text(fixture: Fixture) -> str:
    """Name a fixture for people: its label, then its name; without a label its name and where it hangs."""
    if fixture.label and fixture.label != fixture.name:
        return f"{fixture.label} ({fixture.name})"
    name = fixture_name(fixture)
    return f"{name} ({fixture.position})" if fixture.position else name


def fixture_name(fixture: Fixture) -> str:
    """Give a fixture's label, else its name; a bare number says that it is one."""
    return fixture.label or (f"fixture {fixture.name}" if fixture.name.isdigit() else fixture.name)


def slot_level(stage: Stage, fixture: Fixture, slot: int) -> int:
    """Give the level of a slot (from 1) on the fixture's universe."""
    levels = stage.levels.universe(stage.plan.declared.get(fixture.universe)) if stage.levels else None
    return 0 if levels is None else int(levels[slot - 1])


def fixture_rows(stage: Stage, fixture: Fixture) -> tuple[int, ...]:
    """Give the row of a fixture's universe; none before its first frame."""
    declared = stage.plan.declared.get(fixture.universe)
    if stage.levels is None or declared is None or stage.levels.row[declared] < 0:
        return ()
    return (int(stage.levels.row[declared]),)


def levels_changed_ns(ctx: RuleContext, stage: Stage, declared: NDArray[np.intp], before_ns: int) -> NDArray[np.int64]:
    """When the universes (by their place in the house) last changed, after an earlier look and not after now."""
    assert stage.levels is not None
    rows = stage.levels.row[declared]
    changed_ns = np.where(rows >= 0, ctx.universes.last_change_ns[np.maximum(rows, 0)], ctx.now_ns)
    return np.clip(changed_ns, before_ns, ctx.now_ns)


def levels_sent_ns(ctx: RuleContext, stage: Stage, declared: NDArray[np.intp]) -> NDArray[np.int64]:
    """When the source that wins each of some live universes (by their place in the house) last sent its levels."""
    assert stage.levels is not None
    winner = ctx.universes.winner[stage.levels.row[declared]]
    return np.asarray(ctx.streams.last_frame_ns[winner])


def gone(name: str, facts: Facts) -> Finding:
    """Describe a case whose fixture another house file no longer has: it closes without further work."""
    return Finding(group=f"gone:{name}", since_ns=0, facts=facts, fixtures=(name,))
