"""What judging keeps of the routes' reports when the house file changes."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.bridge.status import ends_of
from slotwatch.durations import NANOSECONDS as S
from slotwatch.edge.judging.route_reports import RouteReports
from slotwatch.edge.shared.messages.routes import RouteReport
from slotwatch.house.schema import House, Network, Route
from slotwatch.judge.own_routes import OwnRoutes
from slotwatch.snapshot.routes import RouteRow
from slotwatch.wire.universe import Protocol, UniverseId
from tests.views.fabricate import route

SILENCE_NS = S


def house_of(**targets: int) -> House:
    """Routes by name: each sends e131/1 to an Art-Net universe."""
    routes = tuple(
        Route(name, UniverseId(Protocol.E131, 1), target=UniverseId(Protocol.ARTNET, number))
        for name, number in targets.items()
    )
    return House(networks=(Network("eth1", "eth1"),), routes=routes)


def report(t_s: float, *rows: RouteRow, began_s: float = 1.0) -> RouteReport:
    return RouteReport(rows, {}, None, None, round(t_s * S), round(began_s * S))


def test_a_report_from_before_a_reload_is_not_taken_for_another_route_of_that_name() -> None:
    reports, routes = RouteReports(), OwnRoutes()
    before, after = house_of(foyer=3, house=5), house_of(foyer=5, house=7)
    seen = [route("foyer", "artnet/3", frames=30), route("house", "artnet/5", frames=50)]
    routes.take(reports.hear(report(2.0, *seen), before)[0])
    reports.take_house(after, routes)
    routes.take(reports.hear(report(2.1, *seen), after)[0])
    assert [(row.name, row.target, row.frames) for row in reports.rows] == [("foyer", "artnet/5", 50)]
    assert [(one.name, one.target) for one in routes.routes] == [("foyer", "artnet/5")]


def test_one_of_two_routes_between_the_same_ends_that_goes_leaves_the_other_as_it_is() -> None:
    """Two outputs of one input, to one target: on another network, or of other slots."""
    one = Route("a", UniverseId(Protocol.E131, 1), target=UniverseId(Protocol.E131, 101))
    networks = (Network("A", "eth1"), Network("B", "eth2"))
    for other in (replace(one, name="b", to_network=1), replace(one, name="b")):
        reports, routes = RouteReports(), OwnRoutes()
        before, after = House(networks=networks, routes=(one, other)), House(networks=networks, routes=(other,))
        ends = [ends_of(each, before) for each in before.routes]
        rows = [
            route(each.name, target, source=source, target_network=network, frames=frames)
            for each, (source, target, network), frames in zip(before.routes, ends, (30, 50), strict=True)
        ]
        routes.take(reports.hear(report(2.0, *rows), before)[0])
        assert len(reports.rows) == 2
        reports.take_house(after, routes)
        assert [(row.name, row.frames) for row in reports.rows] == [("b", 50)]


def test_a_route_that_was_renamed_while_its_process_was_gone_still_sends_nothing() -> None:
    """The process ends at 2 s and is started again at 4 s; the reload comes in between."""
    reports, routes = RouteReports(), OwnRoutes()
    before, after = house_of(foyer=3), house_of(lobby=3)
    routes.take(reports.hear(report(2.0, route("foyer", "artnet/3")), before)[0])
    reports.take_house(after, routes)
    assert routes.interrupted(round(3.5 * S), SILENCE_NS) == {"lobby": 2 * S}
    waiting = route("lobby", "artnet/3", state="waiting")
    routes.take(reports.hear(report(4.1, waiting, began_s=4.0), after)[0])
    assert routes.interrupted(round(4.2 * S), SILENCE_NS) == {"lobby": 2 * S}
    routes.take(reports.hear(report(4.5, route("lobby", "artnet/3"), began_s=4.0), after)[0])
    assert routes.interrupted(round(4.6 * S), SILENCE_NS) == {}
