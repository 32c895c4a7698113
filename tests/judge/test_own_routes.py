"""Routes of this computer: one cause is one incident, whatever number of routes it takes down."""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource, Receiver, Route
from slotwatch.wire.observation import NeighbourSeen, RouteSeen, RoutesSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import at, desk
from tests.judge.stage import Node, Stage, house_of, moving

ADDRESS = "10.0.0.41"
ROUTES = tuple(
    Route(name, UniverseId(Protocol.E131, 1), target=UniverseId(Protocol.ARTNET, number), to_address=ADDRESS)
    for name, number in (("foyer", 3), ("house", 5))
)


def unanswered(receivers: tuple[Receiver, ...] = ()) -> Stage:
    """Two routes send to one address, which no longer answers at 4 s."""
    shown = Stage(replace(house_of((1,)), routes=ROUTES, receivers=receivers), desk())
    seen = tuple(RouteSeen(route.name, "running", f"{route.target} to {ADDRESS}", "e131/1") for route in ROUTES)
    for tenth in range(6, 100):
        shown.see(tenth / 10, RoutesSeen(at(tenth / 10), seen, at(0.5)))
    shown.see(1.0, NeighbourSeen(at(1.0), 0, ADDRESS, "02:00:00:00:00:41", True))
    shown.see(4.0, NeighbourSeen(at(4.0), 0, ADDRESS, "", False))
    return shown.run(9.0)


def test_two_routes_to_one_device_that_is_gone_are_one_incident() -> None:
    incident = unanswered().only()
    assert (incident.rule, incident.cause) == ("route-output-lost", "no-device")
    assert (
        incident.summary == f'Routes "foyer" and "house" reach no device: nothing answers at {ADDRESS} on network eth1.'
    )
    assert incident.evidence[0].startswith("It last answered at ")


def test_a_declared_receiver_is_left_to_its_own_rule() -> None:
    """`receiver-silent` reports it after 20 s: two incidents would be one too many."""
    receiver = Receiver("foyer node", ADDRESS, (UniverseId(Protocol.ARTNET, 3),))
    assert unanswered((receiver,)).all == []


@pytest.mark.parametrize(
    ("ends_s", "evidence"),
    [
        (99.0, "The input arrives (e131/1): the output alone is at fault."),
        (2.0, "The input does not arrive either (e131/1)."),
    ],
)
def test_evidence_of_a_lost_port_says_whether_the_input_arrives(ends_s: float, evidence: str) -> None:
    """The summary has the trouble of the port; the evidence does not repeat it."""
    route = Route("tower", UniverseId(Protocol.E131, 1), target_serial="/dev/ttyUSB0")
    shown = Stage(replace(house_of((1,)), routes=(route,)), desk(to_s=ends_s))
    trouble = "/dev/ttyUSB0 went away"
    for tenth in range(6, 100):
        seen = RouteSeen("tower", "running", "serial:/dev/ttyUSB0", "e131/1", trouble if tenth >= 60 else "")
        shown.see(tenth / 10, RoutesSeen(at(tenth / 10), (seen,), at(0.5)))
    incident = shown.run(9.0).rule("route-output-lost")
    assert incident.summary.endswith(f"{trouble}.")
    assert incident.evidence == (evidence,)


def test_evidence_of_a_lost_port_names_the_input_that_arrives_and_the_one_that_does_not() -> None:
    """Two routes share a port. One of their inputs never came: the other one shows that the output is at fault."""
    routes = tuple(
        Route(f"tower {number}", UniverseId(Protocol.E131, number), target_serial="/dev/ttyUSB0") for number in (1, 2)
    )
    shown = Stage(replace(house_of((1,)), routes=routes), desk())
    for tenth in range(6, 100):
        trouble = "/dev/ttyUSB0 went away" if tenth >= 60 else ""
        seen = tuple(
            RouteSeen(route.name, "running", "serial:/dev/ttyUSB0", str(route.source), trouble) for route in routes
        )
        shown.see(tenth / 10, RoutesSeen(at(tenth / 10), seen, at(0.5)))
    incident = shown.run(9.0).rule("route-output-lost")
    assert incident.evidence == ("Of the inputs, e131/1 arrives and e131/2 does not. The output itself is at fault.",)


@pytest.mark.parametrize("routed", [True, False])
def test_the_output_of_an_own_route_on_loopback_is_no_undeclared_source(routed: bool) -> None:
    """Art-Net knows a sender by its address alone (Art-Net 4, ArtDmx), and on loopback everybody has that one."""
    route = Route("foyer", UniverseId(Protocol.E131, 1), target=UniverseId(Protocol.ARTNET, 3))
    main = DeclaredSource("main desk", cid=bytes([1]) * 16)
    house = replace(house_of((1, 2), artnet=(3,), sources=(main,)), routes=(route,) if routed else ())
    show = desk(1, (1,), address="127.0.0.1"), desk(1, (2,), address="127.0.0.1", to_s=10.0)
    output = Node((3,), address="127.0.0.1", dst="127.0.0.1", levels=moving())
    works = Stage(house, *show, output).run(16.0).rule("universe-lost").still_working
    (of_it,) = [line for line in works if "artnet/3" in line]
    assert of_it.startswith("undeclared ") != routed, of_it
