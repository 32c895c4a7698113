"""The last reports of the routes process, on itself and on each route."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from slotwatch.edge.shared.channel import Message
from slotwatch.house.schema import House


@dataclass(slots=True)
class RouteReports:
    """Put together from reports that each hold some routes, in turn."""

    rows: tuple[dict[str, Any], ...] = ()
    told: tuple[tuple[str, str, str, str], ...] = ()
    """Of each route: its name, its state, where to and where from."""
    counted: dict[str, int] = field(default_factory=dict)
    of_listener: dict[str, Any] = field(default_factory=dict)
    """What is shown with the listener: asking fixtures, the Art-Net node."""

    def hear(self, message: Message, house: House) -> bool:
        """Take a report; whether any route says something else than before."""
        # A report may still be of the house before.
        names = {route.name for route in house.routes}
        told_now = {row["route"]: row for row in message.get("routes", ()) if row["route"] in names}
        self.rows = tuple(({row["route"]: row for row in self.rows} | told_now).values())
        told = tuple((row["route"], row["state"], row["to"], row["from"]) for row in self.rows)
        is_new = told != self.told
        self.told = told
        self.of_listener = {name: message[name] for name in ("asking", "node") if message.get(name) is not None}
        self.counted = message.get("counted", {})
        return is_new

    def take_house(self, house: House) -> None:
        """Forget the routes that the house no longer has."""
        names = {route.name for route in house.routes}
        self.rows = tuple(row for row in self.rows if row["route"] in names)
        if not (house.routes or house.listen.artnet_subscribe or house.listen.ask_fixtures):
            # The routes process has ended, so its own report is dropped.
            self.of_listener, self.counted = {}, {}
