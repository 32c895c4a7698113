"""A level counts as parked while it is sent: where a desk fell silent in a fade, nobody parked it.

ANSI E1.31-2018 6.7.1: silence is a loss after 2.5 s; 6.6.2: levels at rest are sent each 0.8 to 1 s. Art-Net 4: at rest
each 4 s at the latest.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import Desk, Node, Stage, house_of
from tests.judge.test_lights import RELAY, levels_of, rig

FADE = levels_of(lambda t: {2: 200 * (t % 1)})
PARKED = levels_of(lambda t: {2: 100})


def test_a_desk_that_dies_in_a_fade_has_parked_nothing() -> None:
    stage = Stage(rig(RELAY), Desk("Desk A", (1,), levels=FADE, to_s=8.5), every_tick=True).run(20.0)
    assert [one.rule for one in stage.all] == ["universe-lost"]


def test_an_artnet_desk_that_dies_in_a_fade_has_parked_nothing() -> None:
    """It counts as lost 10 s later only."""
    relay = replace(RELAY, universe=UniverseId(Protocol.ARTNET, 0))
    house = replace(house_of((), artnet=(0,)), fixtures=(relay,))
    stage = Stage(house, Node((0,), "10.0.0.7", levels=FADE, to_s=8.5), every_tick=True).run(25.0)
    assert [one.rule for one in stage.all] == ["universe-lost"]


@pytest.mark.parametrize("keep_alive_s", [0.8, 1.0])
def test_what_is_parked_at_rest_is_found_in_time(keep_alive_s: float) -> None:
    desk = Desk("Desk A", (1,), levels=PARKED, rests=True, keep_alive_s=keep_alive_s)
    stage = Stage(rig(RELAY), desk, every_tick=True).run(8.0)
    parked = stage.rule("non-dim-partial")
    assert 2.0 <= (parked.opened_ns - parked.began_ns) / 1e9 <= 2.2
