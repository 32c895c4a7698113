"""Two networks, and the last E1.31 source of one of them falls silent beside an Art-Net server that is not lost yet.

ANSI E1.31-2018 6.7.1: a silent source is lost after 2.5 s; Art-Net counts as lost after 10 s (common practice, no
source). Until then the server's silence is all that tells a lead from a whole network.
"""

from __future__ import annotations

import pytest

from slotwatch.wire.universe import Protocol
from tests.judge.stage import Packet, Plain, Stage, artdmx
from tests.judge.test_died_beside_a_lead import DIES_S, LIGHTS, MAIN, SPARE, house, legs


def server(hz: float, to_s: float) -> Plain:
    """Art-Net by broadcast on network B."""
    times = [n / hz for n in range(int(to_s * hz))]
    return Plain(
        [
            Packet(t_s, artdmx(0, n % 255 + 1, bytes([n % 200]) * 512), "10.0.1.30", "10.0.1.255", Protocol.ARTNET, 1)
            for n, t_s in enumerate(times)
        ]
    )


@pytest.mark.parametrize(
    ("hz", "to_s", "cause"),
    [
        (40.0, DIES_S, "network-lost"),
        (40.0, 30.0, "leg-lost"),
        (0.25, 30.0, "leg-lost"),  # at rest it sends every 4 s: that it is silent too cannot be known
    ],
)
def test_what_fell_silent_with_the_last_source_shows_that_it_is_the_network(hz: float, to_s: float, cause: str) -> None:
    stage = Stage(house(), *legs(LIGHTS, {1: DIES_S}), server(hz, to_s)).run(16.0)
    (lost,) = [one for one in stage.all if one.rule == "universe-lost" and one.universes == ("e131/9@B",)]
    assert lost.cause == cause
    assert any("10.0.1.30" in line for line in lost.evidence if "stopped together" in line) == (cause == "network-lost")


def test_what_went_dark_with_its_network_is_not_lost_with_a_desk_that_dies_seconds_later() -> None:
    """Art-Net may be silent for 4 s between two packets, and is lost 10 s after its last frame."""
    dark_s, dies_s = DIES_S, DIES_S + 3.5
    desks = [*legs(MAIN, {0: dies_s, 1: dark_s}), *legs(SPARE, {1: dark_s}), *legs(LIGHTS, {1: dark_s})]
    stage = Stage(house(), *desks, server(40.0, dark_s)).run(dark_s + 12.0)
    network, absent = stage.rule("universe-lost"), stage.rule("source-absent")
    assert (network.cause, "artnet/0@B" in network.universes) == ("network-lost", True)
    assert absent.universes == ("e131/1@A", "e131/2@A")
    assert "Nothing came on network B any more, so it is not known whether it still ran" in absent.summary
    assert "same moment" not in absent.summary


def test_a_desk_that_died_while_a_network_was_dark_is_not_said_to_have_lost_its_lead_there() -> None:
    dark_s, dies_s, back_s = DIES_S, DIES_S + 4.0, DIES_S + 20.0
    spare, lights = legs(SPARE, {1: dark_s}, {1: back_s}), legs(LIGHTS, {1: dark_s}, {1: back_s})
    stage = Stage(house(), *legs(MAIN, {0: dies_s, 1: dark_s}), *spare, *lights).run(back_s + 15.0)
    assert all(one.cause != "leg-lost" and "lead on network" not in one.summary for one in stage.all)
    assert {one.universes[0][-1] for one in stage.open if one.rule == "source-absent"} == {"A", "B"}
