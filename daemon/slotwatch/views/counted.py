"""What this program counted and could not use, or dropped: each number with its name and its sentence.

Numbers are since the process that counts them was started; they only rise until it is restarted.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TypedDict

from slotwatch.snapshot.health import LineHealth
from slotwatch.snapshot.routes import RouteRow

COUNTED = {
    "routes_own_packets": "Packets of this bridge's own that came back on a route's input.",
    "routes_refused_packets": "Packets of sources past the 64 that a route's input merges.",
    "routes_discarded_packets": "Packets on routes' inputs that E1.31's sequence rule discards.",
    "routes_skipped_packets": "Packets that the routes left out because they were too far behind.",
    "routes_unsent_packets": "Packets of routes that this computer's network refused to send.",
    "node_unanswered_polls": "Art-Net polls that were not answered because too many came at once.",
    "lines_dropped_frames": "Frames of tapped lines that were dropped before they were read.",
    "serial_ports_reopened": "Serial ports opened again after they had disappeared.",
    "page_dropped_streams": "Pages whose stream of events was ended because they did not keep up.",
}
"""Keys of `listener` in the API, and by PREFIX and `_total` names of metrics."""


def counted(routes: Mapping[str, int], rows: Iterable[RouteRow], lines: Iterable[LineHealth]) -> dict[str, int]:
    """Judging's part of COUNTED from the reports of routes and intake.

    routes: what the routes process counted, by the names of COUNTED. rows: reports of routes, with their lines.
    lines: intake's reports of tapped lines.
    """
    # Routes to one port share it, so each port counts once.
    ports = {row.line.path: row.line.reopened for row in rows if row.line is not None}
    tapped = tuple(lines)
    return {
        **routes,
        "lines_dropped_frames": sum(line.dropped_frames for line in tapped),
        "serial_ports_reopened": sum(ports.values()) + sum(line.reopened for line in tapped),
    }


def from_zero(numbers: Mapping[str, int]) -> dict[str, int]:
    """All of COUNTED; 0 where nothing was counted yet."""
    return {name: numbers.get(name, 0) for name in COUNTED}


class RecipientCounts(TypedDict):
    """Messages to one recipient, by result."""

    name: str
    sent: int
    failed: int
    given_up: int
    dropped: int
    waiting: int


class NoticeCounts(TypedDict, total=False):
    """Messages to all recipients; nothing while its follower has failed."""

    receivers: list[RecipientCounts]


class HeartbeatCounts(TypedDict, total=False):
    """Heartbeats by result; nothing while their follower has failed."""

    sent: int
    failed: int


class OwnCounts(TypedDict, total=False):
    """What the front process counts itself: of its health what metrics show."""

    notifications: NoticeCounts
    heartbeat: HeartbeatCounts
    page_dropped_streams: int
