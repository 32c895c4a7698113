"""The routes of this computer: what their process reports, and whether that process runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import House, Route
from slotwatch.judge.neighbours import Neighbours
from slotwatch.wire.observation import RouteSeen, RoutesSeen

SENDING = frozenset({"running", "holding", "zero"})
"""States of a route in which it sends (`bridge.output.RouteState`)."""
_STARTING = frozenset({"waiting", "listening"})
_STARTS_WITHIN_NS = 3 * NANOSECONDS
"""A route whose input is there sends within 1.1 s of its process' start; one that still waits has no input."""


class OwnRoutes:
    """The newest reports on the routes; no routes, or no report yet: `routes` is empty."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Start as if there had been no report: the house has no routes, or has new ones."""
        self.routes: tuple[RouteSeen, ...] = ()
        self.heard_ns = 0
        """When the process last reported; 0: never."""
        self.restarted_ns = 0
        """When the present process began, if the one before it failed; 0: it did not."""
        self._began_ns = 0
        self._is_ending = False
        self._interrupted: dict[str, int] = {}
        """Since when routes that were sending have not sent, because their process ended."""

    def rename(self, names: Mapping[str, str]) -> None:
        """Keep the routes that another house still has. names: the former name of each, and its present one."""
        self.routes = tuple(replace(route, name=names[route.name]) for route in self.routes if route.name in names)
        self._interrupted = {names[name]: since for name, since in self._interrupted.items() if name in names}

    def take(self, seen: RoutesSeen) -> None:
        """Take a report."""
        if self._began_ns and seen.began_ns != self._began_ns:
            self.restarted_ns = 0 if self._is_ending else seen.began_ns
            if not self._is_ending:
                sent = (route.name for route in self.routes if route.state in SENDING)
                self._interrupted = dict.fromkeys(sent, self.heard_ns) | self._interrupted
        if self._interrupted:
            started = seen.t_ns - seen.began_ns > _STARTS_WITHIN_NS
            awaited = {route.name for route in seen.routes if route.state in _STARTING and not started}
            self._interrupted = {name: since_ns for name, since_ns in self._interrupted.items() if name in awaited}
        self.routes, self.heard_ns = seen.routes, seen.t_ns
        self._began_ns, self._is_ending = seen.began_ns, seen.is_ending

    def interrupted(self, now_ns: int, silence_ns: int) -> dict[str, int]:
        """Since when each route does not send because its process ended, or has not reported for `silence_ns`.

        The time is that of the last report before it, CLOCK_MONOTONIC.
        """
        if self.heard_ns and not self._is_ending and now_ns - self.heard_ns >= silence_ns:
            sent = (route.name for route in self.routes if route.state in SENDING)
            return dict.fromkeys(sent, self.heard_ns) | self._interrupted
        return self._interrupted


def unanswered(house: House, routes: OwnRoutes, neighbours: Neighbours) -> list[tuple[str, Route]]:
    """Give addresses that do not answer the kernel (ARP, NDP), each with a route that sends to it now.

    A declared receiver has a rule of its own. A route that does not send asks no address, so a missing answer means
    nothing.
    """
    failed = []
    for route in house.routes:
        if route.to_address:
            known = neighbours.get(route.to_network or 0, route.to_address)
            if known is not None and known.failed_ns > known.answered_ns:
                failed.append((route.to_address, route))
    if not failed:
        return []  # nearly always, and it is asked many times a second
    sending = {route.name for route in routes.routes if route.state in SENDING}
    receivers = {receiver.address for receiver in house.receivers}
    return [(address, route) for address, route in failed if route.name in sending and address not in receivers]
