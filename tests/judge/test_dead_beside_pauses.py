"""A desk dies in the moment in which lights begin one of their pauses, each longer than the loss timeout.

That lights which rest send nothing for seconds is common practice, no source. 2.5 s: ANSI E1.31-2018 6.7.1.
"""

from __future__ import annotations

import pytest

from slotwatch.house.schema import DeclaredSource
from tests.judge.stage import Desk, Stage, house_of, moving

PERIOD_S, SENDS_S, DIES_S = 8.0, 4.5, 52.5
"""Their seventh pause begins at 6 * 8 + 4.5 s."""


@pytest.mark.parametrize("after_s", [-0.05, 0.0, 0.1])
def test_a_dead_desk_does_not_come_and_go_with_the_lights_beside_it(after_s: float) -> None:
    lights = Desk(
        "Lights", (21,), "10.0.0.9", 9, hz=20.0, levels=moving(hz=20.0), drop=lambda u, i, t: t % PERIOD_S >= SENDS_S
    )
    desk = Desk("Desk A", (1, 2), "10.0.0.1", 1, hz=20.0, levels=moving(hz=20.0), to_s=DIES_S + after_s)
    other = Desk("Desk B", (11,), "10.0.0.2", 2, hz=20.0, levels=moving(hz=20.0))
    sources = tuple(DeclaredSource(one.name, cid=one.cid) for one in (lights, desk, other))
    stage = Stage(house_of((1, 2, 11, 21), sources=sources, min_refresh_hz=5.0), lights, desk, other)
    for until_s in (60.0, 67.0, 80.0):
        (loss,) = (one for one in stage.run(until_s).open if "e131/1" in one.universes)
        assert "comes and goes" not in loss.summary, loss.summary
        assert loss.summary.startswith("Universes e131/1") and '"Desk A" (10.0.0.1)' in loss.summary
