"""16-bit pairs of pan and tilt: how their coarse and fine slots move, and how a case of one is described."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.judge import wording
from slotwatch.judge.binding import Finding
from slotwatch.judge.context import RuleContext
from slotwatch.judge.lights import MOST_CASES, NOT_SEEN, fixture_name
from slotwatch.judge.parameters import Facts
from slotwatch.model.stage import Stage

Pair = tuple[str, str]
"""Name of a fixture, and role of its coarse slot."""


@dataclass(frozen=True, slots=True)
class PairMoves:
    """How each pair moved between two looks, (pairs,)."""

    coarse: NDArray[np.int16]
    fine: NDArray[np.int16]
    known: NDArray[np.bool_]


class PairWatch:
    """Compares coarse and fine slots with the last look."""

    def __init__(self, house: House) -> None:
        self._fixtures = {fixture.name: fixture for fixture in house.fixtures}
        self._plan: object = None
        self._coarse = self._fine = np.zeros(0, np.uint8)

    def is_new(self, stage: Stage) -> bool:
        """Whether the patch is another than at the last look; memory begins again then."""
        if stage.plan is self._plan:
            return False
        self._plan = stage.plan
        self._coarse = self._fine = np.zeros(0, np.uint8)
        return True

    def look(self, stage: Stage) -> PairMoves | None:
        """Give the moves since the last look; None at the first."""
        if stage.levels is None or not len(stage.plan.coarse):
            return None
        coarse = stage.levels.of(stage.plan.coarse)
        fine = stage.levels.at(stage.plan.coarse.declared, stage.plan.fine)
        moves = None
        if len(self._coarse) == len(coarse):
            moves = PairMoves(
                np.abs(coarse.astype(np.int16) - self._coarse),
                np.abs(fine.astype(np.int16) - self._fine),
                stage.levels.known(stage.plan.coarse),
            )
        self._coarse, self._fine = coarse, fine
        return moves

    @staticmethod
    def named(stage: Stage, found: NDArray[np.bool_]) -> dict[Pair, None]:
        """Name the pairs of a mask over the plan's coarse slots."""
        keys: dict[Pair, None] = {}
        for index in np.flatnonzero(found)[:MOST_CASES].tolist():
            fixture = stage.plan.fixtures[stage.plan.coarse.fixture[index]]
            keys[fixture.name, fixture.slots[int(stage.plan.coarse.slot[index]) - fixture.address + 1]] = None
        return keys

    def describe(self, ctx: RuleContext, pair: Pair, what: str, evidence: str) -> Finding:
        """Describe one pair. One wrong profile shows on every fixture that uses it: one note for all of them."""
        stage: Stage = ctx.model.stage
        name, role = pair
        fixture = self._fixtures.get(name)
        if fixture is None:
            return Finding(group=f"gone:{name}", since_ns=0, facts=PairFacts(name, role))
        declared = stage.plan.declared.get(fixture.universe)
        row = -1 if stage.levels is None or declared is None else int(stage.levels.row[declared])
        return Finding(
            group=f"{what}:{fixture.profile or name}:{role}",
            since_ns=0,
            universes=(row,) if row >= 0 else (),
            fixtures=(name,),
            facts=PairFacts(wording.list_names([fixture_name(fixture)]), role),
            evidence=(f"{evidence} {NOT_SEEN}",),
        )


@dataclass(frozen=True, slots=True)
class PairFacts(Facts):
    """Parameters of every rule about a 16-bit pair."""

    fixtures: str
    role: str
