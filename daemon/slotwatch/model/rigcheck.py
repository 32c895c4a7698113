"""The rig check: which patched fixtures the desk has brought up alone since it began, and which are left.

It sees commands, not light: it listens to data and cannot see a lamp.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import MILLISECOND_NS
from slotwatch.house.schema import Fixture
from slotwatch.model.lightplan import Integers, LightPlan
from slotwatch.snapshot.rig_check import (
    RigCheckMemory,
    RigCheckRow,
    RigDark,
    RigDone,
    RigFixture,
    RigFlag,
    RigPlace,
)

UP = 77
"""30 % of full: the fixture is shown (common practice, no source)."""
DOWN = 26
"""10 %: it is put away again."""
TOGETHER_NS = 400_000_000
"""Rises within this are one press of a key: a desk fades its check up in no time."""
MOST_TOGETHER = 4
"""More than this many at once are a cue and no check of any of them."""
MAX_FLAGS = 500


class RigCheck:
    """One check. Times are monotonic nanoseconds; fixtures are known by their names, so it survives a reload."""

    def __init__(self, plan: LightPlan, now_ns: int) -> None:
        self.started_ns = now_ns
        self.running = True
        self.done: dict[str, int] = {}
        """Fixture: when it was brought up last."""
        self.no_light: dict[str, int] = {}
        """Fixture: when a person saw that it was brought up and gave no light."""
        self.flagged: list[RigFlag] = []
        self.changes = 0
        """How often what is shown of it has changed."""
        self._was_up: NDArray[np.bool_] | None = None
        self._pending: list[tuple[int, int]] = []
        self._pending_ns = 0
        self.take_plan(plan)

    def take_plan(self, plan: LightPlan) -> None:
        """Check by another patch from now on."""
        self.changes += 1
        self.plan = plan
        self._numbers: Integers = plan.bright_fixture
        self._was_up = None

    def look(self, brightness: NDArray[np.uint8], known: NDArray[np.bool_], now_ns: int) -> None:
        """Take every fixture's brightness (its brightest slot), in the order of `LightPlan.bright_fixture`."""
        if not self.running:
            return
        if self._was_up is None:
            # What is up already was not brought up by this check.
            self._was_up = brightness >= UP
            return
        rose = (brightness >= UP) & ~self._was_up & known
        # The last levels of a lost universe are kept, so that its return does not count as a rise.
        self._was_up = np.where(known, np.where(self._was_up, brightness > DOWN, rose), self._was_up)
        if rose.any():
            if not self._pending:
                self._pending_ns = now_ns
            self._pending += [(now_ns, number) for number in self._numbers[rose].tolist()]
        if self._pending and now_ns - self._pending_ns >= TOGETHER_NS:
            self._settle()

    def _settle(self) -> None:
        rises, self._pending = self._pending, []
        if len(rises) > MOST_TOGETHER and not self._one_place(rises):
            return
        self.changes += 1
        fixtures = [self.plan.fixtures[number] for _, number in rises]
        for (t_ns, _), fixture in zip(rises, fixtures, strict=True):
            self.done[fixture.name] = t_ns
        if not self._one_place(rises):
            names = " and ".join(map(_name, fixtures))
            text = f"{names} came up together: doubled, plugged together, or two keys at once."
            # Who focuses brings the same ones up again and again: they are said once, at their newest time.
            others = [flag for flag in self.flagged if flag.text != text]
            if len(others) < MAX_FLAGS:
                self.flagged = [*others, RigFlag(tuple(fixture.name for fixture in fixtures), text, rises[0][0])]

    def _one_place(self, rises: list[tuple[int, int]]) -> bool:
        """Whether all of them use the same slots, so that the desk cannot control them separately."""
        places = {(self.plan.fixtures[n].universe, self.plan.fixtures[n].address) for _, n in rises}
        return len(places) == 1

    def mark(self, name: str, now_ns: int, *, gives_light: bool) -> list[str]:
        """Note what a person saw of a fixture; return all that gave no light. ValueError if none has this name."""
        if not any(fixture.name == name for fixture in self.plan.fixtures):
            raise ValueError(f"no fixture {name[:60]} is patched")
        self.changes += 1
        self.no_light.pop(name, None)
        if not gives_light:
            self.no_light[name] = now_ns
        return list(self.no_light)

    def left(self) -> list[Fixture]:
        """Fixtures that give light and were not brought up yet, in the order of the patch."""
        fixtures = self.plan.fixtures
        return [fixtures[n] for n in self._numbers.tolist() if fixtures[n].name not in self.done]

    def row(self, wall_offset_ns: int) -> RigCheckRow:
        """Give what is shown of it. `wall_offset_ns`: wall clock less monotonic clock."""
        by_position: dict[str, list[RigFixture]] = defaultdict(list)
        left = self.left()
        for fixture in left:
            by_position[fixture.position].append(_row(fixture))
        names = {self.plan.fixtures[n].name: self.plan.fixtures[n] for n in self._numbers.tolist()}
        return RigCheckRow(
            running=self.running,
            started_ns=self.started_ns,
            started_wall_ms=(self.started_ns + wall_offset_ns) // MILLISECOND_NS,
            total=len(self._numbers),
            done=tuple(
                RigDone(_row(names[name]), t_ns, name in self.no_light)
                for name, t_ns in sorted(self.done.items(), key=lambda one: -one[1])
                if name in names
            ),
            no_light=tuple(
                RigDark(_row(fixture), self.no_light[fixture.name])
                for fixture in self.plan.fixtures
                if fixture.name in self.no_light
            ),
            left=tuple(RigPlace(position, tuple(rows)) for position, rows in by_position.items()),
            circuits_left=tuple(sorted({fixture.circuit for fixture in left if fixture.circuit})),
            flagged=tuple(sorted(self.flagged, key=lambda one: -one.t_ns)),
        )

    @classmethod
    def restored(cls, plan: LightPlan, kept: RigCheckMemory, shift_ns: int) -> RigCheck:
        """Continue a check from before a restart; `shift_ns` converts its times."""
        check = cls(plan, kept.started_ns + shift_ns)
        check.running = kept.running
        check.done = {name: t_ns + shift_ns for name, t_ns in kept.done.items()}
        check.no_light = {name: t_ns + shift_ns for name, t_ns in kept.no_light.items()}
        check.flagged = [replace(one, t_ns=one.t_ns + shift_ns) for one in kept.flagged[:MAX_FLAGS]]
        return check


def _name(fixture: Fixture) -> str:
    """Number, then name, as the page's rig check writes them."""
    label = fixture.label
    return f"{fixture.name} {label}" if label and label != fixture.name else fixture.name


def _row(fixture: Fixture) -> RigFixture:
    return RigFixture(
        fixture=fixture.name,
        label=fixture.label,
        universe=str(fixture.universe),
        address=fixture.address,
        position=fixture.position,
        circuit=fixture.circuit,
    )
