"""No sentence contradicts another: over drawn shows with up to three faults."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from slotwatch.rehearse import stage
from slotwatch.rehearse.anytrouble import any_trouble
from slotwatch.rehearse.cast import main_desk, media_server, paper, second_desk
from slotwatch.rehearse.packets import ARTNET_PORT
from slotwatch.rehearse.scenario import Scenario
from slotwatch.rehearse.stage import Item, mixed
from tests.rehearse.invariants import violations
from tests.rehearse.theatre import perform

SEEDS = (*range(1, 9), 17, 20, 24, 28, 35, 37)
"""Drawn shows that are kept; `python -m tests.rehearse.contradictions` plays more, and all scenarios."""


@pytest.mark.parametrize("seed", SEEDS)
def test_drawn_trouble_is_reported_without_contradiction(seed: int) -> None:
    found: list[str] = []
    perform(any_trouble(seed), look=lambda snapshot: found.extend(violations(snapshot)))
    assert not found, found[:5]


def test_loss_of_one_source_is_not_put_down_to_another_that_lost_one_universe_then() -> None:
    """The house lights die in the moment at which one of two Art-Net universes of the media server pauses."""

    def items() -> Iterator[Item]:
        server = stage.cut(
            media_server((0, 1)).sends(25.0),
            10.0,
            25.0,
            lambda sent: sent.dst_port == ARTNET_PORT and sent.payload[14] == 1,
        )
        return mixed(main_desk((1, 2)).sends(25.0), second_desk(stop_s=10.0).sends(25.0), server)

    house = paper((1, 2, 11), (0, 1), sources=("main", "second", "media"))
    performance = perform(Scenario("one-universe-beside", "", "", items, 25.0, house))
    lights = [text for text in performance.summaries if "e131/11 lost" in text]
    assert lights and all("went completely silent" in text for text in lights)
    (server,) = [one for one in performance.incidents if "artnet/1" in one.universes]
    assert (server.universes, server.cause) == (("artnet/1",), "universe-withdrawn")
