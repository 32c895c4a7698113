"""A lost universe that feeds routes of this computer: its incident says what their outputs do without it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from slotwatch.house.schema import DeclaredSource, Network, Route
from slotwatch.wire.observation import RouteSeen, RoutesSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import at, desk, see
from tests.judge.stage import Desk, Stage, house_of

FIRST = UniverseId(Protocol.E131, 1)
NODE = UniverseId(Protocol.ARTNET, 3)
COPY = UniverseId(Protocol.E131, 112)


def evidence_of(*routes: Route, seen: tuple[RouteSeen, ...] = ()) -> list[str]:
    """The evidence of the loss, where the only desk of universe 1 falls silent at 4 s."""
    shown = Stage(replace(house_of((1, 2)), routes=routes), desk(2, (2,)), desk(1, (1,), to_s=4.0))
    for tenth in range(6, 90):
        shown.see(tenth / 10, RoutesSeen(at(tenth / 10), seen, at(0.5)))
    found = {one.rule: one for one in shown.run(9.0).all}
    unable = {"route-output-lost"} if any(route.trouble for route in seen) else set()
    assert found.keys() == {"universe-lost"} | unable and len(shown.all) == len(found)
    lost = found["universe-lost"]
    return [line for line in lost.evidence if "route" in line.lower()]


def test_each_route_says_what_its_output_does_without_its_input() -> None:
    """The words are those of the house file: `hold_s`, then `then` (docs/routes.md)."""
    assert evidence_of(
        Route("node", FIRST, target=NODE, to_address="10.20.0.41", hold_s=5.0),
        Route("line", FIRST, target_serial="/dev/ttyUSB0", then="zero"),
        Route("copy", FIRST, target=COPY, then="hold", hold_s=3.0),
        Route("other", UniverseId(Protocol.E131, 2), target=UniverseId(Protocol.E131, 113)),
    ) == [
        'Route "node" has e131/1 as its input: without it, it repeats its last levels for 5 s, then sends nothing to '
        "artnet/3 at 10.20.0.41.",
        'Route "line" has e131/1 as its input: without it, it sends zeros to serial:/dev/ttyUSB0.',
        'Route "copy" has e131/1 as its input: without it, it repeats its last levels to e131/112.',
    ]


def test_of_many_routes_four_are_named_and_the_others_are_counted() -> None:
    routes = (Route(f"copy {number}", FIRST, target=UniverseId(Protocol.E131, number)) for number in range(101, 107))
    said = evidence_of(*routes)
    assert [line.split('"')[1] for line in said[:4]] == ["copy 101", "copy 102", "copy 103", "copy 104"]
    assert said[4:] == ["2 more routes have one of these universes as their input."]


def test_an_output_that_ends_with_its_input_is_no_loss_of_its_own() -> None:
    """The terminated packets of the route come back to this listener before the route's process reports the stop."""
    house = replace(house_of((1, 112)), routes=(Route("copy", FIRST, target=COPY),))
    own = Desk("slotwatch bridge", (112,), number=9, address="10.0.0.9", to_s=6.5, terminate=True)
    shown = Stage(house, desk(1, (1,), to_s=4.0), own)
    for tenth in range(6, 130):
        state = "running" if tenth <= 66 else "stopped"
        copy = RouteSeen("copy", state, "e131/112", "e131/1")
        shown.see(tenth / 10, RoutesSeen(at(tenth / 10), (copy,), at(0.5)))
    assert shown.run(13.0).only().universes == ("e131/1",)


def test_a_universe_of_the_same_number_on_another_network_than_a_route_sends_to_is_lost() -> None:
    """The route feeds universe 112 on network B and stands; the desk's own one on network A ends."""
    on_both = replace(house_of((112,)).universes[0], networks=(0, 1))
    house = replace(
        house_of((1,)),
        networks=(Network("A", "eth1"), Network("B", "eth2")),
        universes=(house_of((1,)).universes[0], on_both),
        routes=(Route("copy", FIRST, target=COPY, to_network=1),),
    )
    other = Desk("Other", (112,), "10.0.0.9", 9, to_s=6.0)
    shown = Stage(house, desk(1, (1,)), other)
    for tenth in range(6, 130):
        copy = RouteSeen("copy", "stopped", "e131/112", "e131/1")
        shown.see(tenth / 10, RoutesSeen(at(tenth / 10), (copy,), at(0.5)))
    lost = shown.run(13.0).rule("universe-lost")
    assert lost.universes == ("e131/112@A",)


def test_nothing_is_said_where_no_route_has_it_as_its_input() -> None:
    assert evidence_of(Route("other", UniverseId(Protocol.E131, 2), target=COPY)) == []


def test_a_route_whose_input_a_backup_keeps_alive_is_not_without_it() -> None:
    sources = (DeclaredSource("main", address="10.0.0.1"), DeclaredSource("spare", address="10.0.0.2", role="backup"))
    house = replace(house_of((1,), sources=sources, by=("main", "spare")), routes=(Route("copy", FIRST, target=COPY),))
    shown = Stage(house, desk(1, (1,), to_s=4.0), desk(2, (1,), priority=90)).run(9.0)
    assert shown.only().rule == "source-absent"
    assert not any("oute" in line for line in shown.only().evidence)


def test_a_route_whose_port_is_gone_is_not_said_to_send() -> None:
    """Two faults at once: `route-output-lost` says that it sends nothing."""
    line = Route("line", FIRST, target_serial="/dev/ttyUSB0", then="hold")
    copy = Route("copy", FIRST, target=COPY)
    seen = (
        RouteSeen("line", "running", "serial:/dev/ttyUSB0", "e131/1", "/dev/ttyUSB0 is not there"),
        RouteSeen("copy", "running", "e131/112", "e131/1"),
    )
    assert [said.split('"')[1] for said in evidence_of(line, copy, seen=seen)] == ["copy"]


@pytest.mark.parametrize(("ended_s", "named"), [(7.0, True), (6.1, False), (5.9, False)])
def test_a_route_whose_process_has_just_ended_is_not_said_to_repeat_its_levels(ended_s: float, named: bool) -> None:
    """The loss is found at 6.5 s; until its own incident says that the process is gone, another second passes."""
    shown = Stage(
        replace(house_of((1, 2)), routes=(Route("copy", FIRST, target=COPY, then="hold"),)),
        desk(2, (2,)),
        desk(1, (1,), to_s=4.0),
    )
    sending = RouteSeen("copy", "running", "e131/112", "e131/1")
    for tenth in range(6, round(ended_s * 10)):
        shown.see(tenth / 10, RoutesSeen(at(tenth / 10), (sending,), at(0.5)))
    lost = next(one for one in shown.run(6.75).all if one.rule == "universe-lost")
    assert any("copy" in line for line in lost.evidence) is named


def test_the_first_check_of_an_adapter_that_is_gone_is_whole_up_to_its_colon() -> None:
    """The page's third line is a check up to its first colon: it ended in "Look at what is connected to serial"."""
    route = Route("line", FIRST, target_serial="/dev/ttyUSB0")
    told = [
        see(0.5 + n / 10, RoutesSeen, (RouteSeen("line", "running", "serial:/dev/ttyUSB0", "e131/1", why),), at(0.4))
        for n, why in enumerate([""] * 30 + ["/dev/ttyUSB0 is not there"] * 30)
    ]
    stage = Stage(replace(house_of((1,)), routes=(route,)), desk(1, (1,)))
    for t_s, observation in told:
        stage.see(t_s, observation)
    incident = stage.run(6.0).only()
    assert incident.rule == "route-output-lost"
    assert incident.next_checks[0].split(":")[0] == "Look at what is connected to this adapter"
