"""A path that loses frames of several sources on both networks of this listener.

What several sources show at once is put down to what they share: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.judge.stage import START_NS, Desk, S, Stage
from tests.judge.test_swapped_networks import BOTH, LIGHTS, MAIN

LOSSY_S = 12.0


def lead(desk: Desk, network: int, *, lossy: bool) -> Desk:
    address = desk.address if network == 0 else "10.1" + desk.address[4:]
    # One frame in five, each lead another one.
    place = desk.number + network
    return replace(
        desk,
        network=network,
        address=address,
        drop=lambda universe, index, t: lossy and t > LOSSY_S and (index + place) % 5 == 0,
    )


@pytest.mark.parametrize("lights_on", [(0, 1), (0,), (1,)])
def test_a_path_that_loses_frames_on_both_networks_is_one_incident(lights_on: tuple[int, ...]) -> None:
    leads = [lead(MAIN, 0, lossy=True), lead(MAIN, 1, lossy=True)]
    leads += [lead(LIGHTS, network, lossy=network in lights_on) for network in (0, 1)]
    stage = Stage(BOTH, *leads).run(LOSSY_S + 8.0)
    (found,) = [one for one in stage.all if one.rule == "packet-loss"]
    assert (found.cause, set(found.sources)) == ("shared-path", {"main desk", "lights"})
    assert found.began_ns < START_NS + (LOSSY_S + 0.5) * S


def test_a_source_that_loses_frames_on_a_network_of_its_own_shares_no_path() -> None:
    stage = Stage(BOTH, lead(MAIN, 0, lossy=True), lead(LIGHTS, 1, lossy=True)).run(LOSSY_S + 8.0)
    found = [one for one in stage.open if one.rule == "packet-loss"]
    assert sorted(one.sources for one in found) == [("lights",), ("main desk",)]
    assert "shared-path" not in {one.cause for one in found}
