"""The last reports of the routes process, on itself and on each route."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from slotwatch.bridge.status import ends_of
from slotwatch.durations import ns_from_s
from slotwatch.edge.shared.messages.routes import RouteReport
from slotwatch.house.schema import House
from slotwatch.judge.listener import Listener
from slotwatch.judge.own_routes import OwnRoutes, unanswered
from slotwatch.judge.rules.route_output_lost import RouteOutputLostParameters
from slotwatch.snapshot.routes import AskingRow, NodeRow, RouteRow
from slotwatch.wire.observation import RouteSeen, RoutesSeen

SILENCE_NS = ns_from_s(RouteOutputLostParameters().silence_s)
STARTED_AGAIN = "Its process was started again and has not reported this route yet."
STOPPED = "Its process was stopped: nothing is sent."
DOES_NOT_ANSWER = "Nothing is sent: the process that sends ended by itself or does not answer."


@dataclass(slots=True)
class RouteReports:
    """Put together from reports that each hold some routes, in turn."""

    rows: tuple[RouteRow, ...] = ()
    states: tuple[RouteSeen, ...] = ()
    counted: dict[str, int] = field(default_factory=dict)
    asking: AskingRow | None = None
    node: NodeRow | None = None
    _began_ns: int = 0
    _house: House | None = None
    _known: frozenset[tuple[str, tuple[str, str, str]]] = frozenset()
    """Name and ends of the routes of that house."""

    def hear(self, report: RouteReport, house: House) -> tuple[RoutesSeen, bool]:
        """Take a report; return what judging observes, and whether the state of any route changed."""
        if house is not self._house:
            self._house, self._known = house, frozenset((route.name, ends_of(route, house)) for route in house.routes)
        # A report may still be of the house before, where a name belonged to another route.
        newest = {row.name: row for row in report.rows if (row.name, _ends(row)) in self._known}
        if report.began_ns != self._began_ns:
            self.rows = tuple(replace(row, state="waiting", text=STARTED_AGAIN) for row in self.rows)
            self._began_ns = report.began_ns
        self.rows = tuple(({row.name: row for row in self.rows} | newest).values())
        if report.is_ending:
            self.rows = tuple(replace(row, state="stopped", text=STOPPED) for row in self.rows)
        states = tuple(
            RouteSeen(row.name, row.state, row.target, row.source, row.line.trouble if row.line else "")
            for row in self.rows
        )
        is_new = states != self.states
        self.states = states
        self.asking, self.node, self.counted = report.asking, report.node, report.counted
        return RoutesSeen(report.t_ns, states, report.began_ns, report.is_ending), is_new

    def shown(self, listener: Listener, house: House, now_ns: int) -> tuple[RouteRow, ...]:
        """Give the rows as the page shows them, with what judging knows: those of a process that ended do not send."""
        interrupted = listener.routes.interrupted(now_ns, SILENCE_NS)
        unreached = {route.name: address for address, route in unanswered(house, listener.routes, listener.neighbours)}
        return tuple(_shown(row, row.name in interrupted, unreached.get(row.name, "")) for row in self.rows)

    def take_house(self, house: House, routes: OwnRoutes) -> None:
        """Forget the routes that the house no longer has; what only has another name stays."""
        present: dict[tuple[str, str, str], list[str]] = {}
        for route in house.routes:
            present.setdefault(ends_of(route, house), []).append(route.name)
        names = {row.name: row.name for row in self.rows if row.name in present.get(_ends(row), ())}
        for row in self.rows:
            found = present.get(_ends(row), [])
            # Of two with the same ends the other one may have gone.
            if row.name not in names and len(found) == 1 and found[0] not in names.values():
                names[row.name] = found[0]
        self.rows = tuple(replace(row, name=names[row.name]) for row in self.rows if row.name in names)
        routes.rename(names)
        if not house.has_routes:
            # The routes process has ended, so its own report is dropped. Its last one is not heard.
            routes.forget()
            self.asking = self.node = None
            self.counted = {}


def _ends(row: RouteRow) -> tuple[str, str, str]:
    return row.source, row.target, row.target_network


def _shown(row: RouteRow, is_interrupted: bool, address: str) -> RouteRow:
    """One row. address: where nothing answers, or empty."""
    if is_interrupted:
        return replace(row, state="stopped", text=DOES_NOT_ANSWER, trouble=DOES_NOT_ANSWER)
    if row.line is not None and row.line.trouble:
        return replace(row, trouble=f"{row.line.trouble}.")
    if address:
        trouble = f"Nothing answers at {address}."
        return replace(row, text=f"{row.text} {trouble}", trouble=trouble)
    return row
