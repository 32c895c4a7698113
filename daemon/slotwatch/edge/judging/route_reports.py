"""The last reports of the routes process, on itself and on each route."""

from __future__ import annotations

from dataclasses import dataclass, field

from slotwatch.edge.shared.messages.routes import RouteReport
from slotwatch.house.schema import House
from slotwatch.snapshot.routes import AskingRow, NodeRow, RouteRow


@dataclass(slots=True)
class RouteReports:
    """Put together from reports that each hold some routes, in turn."""

    rows: tuple[RouteRow, ...] = ()
    states: tuple[tuple[str, str, str, str], ...] = ()
    """Of each route: its name, its state, where to and where from."""
    counted: dict[str, int] = field(default_factory=dict)
    asking: AskingRow | None = None
    node: NodeRow | None = None

    def hear(self, report: RouteReport, house: House) -> bool:
        """Take a report; return whether the state of any route changed."""
        # A report may still be of the house before.
        names = {route.name for route in house.routes}
        newest = {row.name: row for row in report.rows if row.name in names}
        self.rows = tuple(({row.name: row for row in self.rows} | newest).values())
        states = tuple((row.name, row.state, row.target, row.source) for row in self.rows)
        is_new = states != self.states
        self.states = states
        self.asking, self.node, self.counted = report.asking, report.node, report.counted
        return is_new

    def take_house(self, house: House) -> None:
        """Forget the routes that the house no longer has."""
        names = {route.name for route in house.routes}
        self.rows = tuple(row for row in self.rows if row.name in names)
        if not house.has_routes:
            # The routes process has ended, so its own report is dropped.
            self.asking = self.node = None
            self.counted = {}
