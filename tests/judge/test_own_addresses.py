"""Addresses of this computer itself, former ones too, and one address that two networks use.

What a host does before a DHCP server answers: RFC 3927 2. That two networks use one address: common practice, no
source.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.house.schema import Network, Route
from slotwatch.wire.observation import LinkSeen, NeighbourSeen, RouteSeen, RoutesSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import at, desk
from tests.judge.stage import Stage, house_of

FALLBACK = "169.254.7.7"


@pytest.mark.parametrize("by_s", [6.0, 9.5])
@pytest.mark.parametrize("own", [True, False])
def test_what_this_computer_sent_from_its_fallback_address_is_no_device(by_s: float, own: bool) -> None:
    """Its bridge sends until a server gives it an address; another device at such an address is named as ever."""
    stage = Stage(house_of((1, 2)), desk(), desk(2, (2,), address=FALLBACK, to_s=by_s))
    had = (FALLBACK,) if own else ("10.0.0.200",)
    stage.see(0.5, LinkSeen(at(0.5), 0, True, had, "eth1"))
    stage.see(by_s, LinkSeen(at(by_s), 0, True, ("10.0.0.200",), "eth1"))
    stage.run(by_s + 15.0)
    said = [one.summary for one in stage.all if one.rule == "fallback-address" and "This listener" not in one.summary]
    assert bool(said) is not own, said


def test_a_device_that_takes_a_former_address_of_this_computer_is_named() -> None:
    stage = Stage(house_of((1, 2)), desk(), desk(2, (2,), address=FALLBACK, from_s=8.0))
    stage.see(0.5, LinkSeen(at(0.5), 0, True, (FALLBACK,), "eth1"))
    stage.see(6.0, LinkSeen(at(6.0), 0, True, ("10.0.0.200",), "eth1"))
    stage.run(12.0)
    said = [one.summary for one in stage.open if one.rule == "fallback-address"]
    assert len(said) == 1 and FALLBACK in said[0] and "This listener" not in said[0]


def test_one_address_that_is_dead_on_two_networks_is_said_of_each() -> None:
    house = replace(
        house_of((1,)),
        networks=(Network("A", "eth1"), Network("B", "eth2")),
        routes=tuple(
            Route(f"node {name}", UniverseId(Protocol.E131, 1), UniverseId(Protocol.ARTNET, 3 + network),
                  to_network=network, to_address="10.0.0.41")
            for network, name in enumerate("AB")
        ),
    )  # fmt: skip
    stage = Stage(house, desk())
    for network in (0, 1):
        stage.see(5.0, NeighbourSeen(at(5.0), network, "10.0.0.41", "", False))
    sending = tuple(RouteSeen(one.name, "running", f"{one.target} to 10.0.0.41", "e131/1") for one in house.routes)
    for tenth in range(6, 90):
        stage.see(tenth / 10, RoutesSeen(at(tenth / 10), sending, at(0.5)))
    stage.run(8.0)
    said = sorted(one.summary for one in stage.open if one.rule == "route-output-lost")
    assert said == [
        'Route "node A" reaches no device: nothing answers at 10.0.0.41 on network A.',
        'Route "node B" reaches no device: nothing answers at 10.0.0.41 on network B.',
    ]
