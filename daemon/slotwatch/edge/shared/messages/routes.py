"""Messages between the routes process and judging: the state of routes, and what judging wants of them."""

from __future__ import annotations

import msgspec

from slotwatch.edge.shared.messages import ProcessMessage
from slotwatch.house.schema import Phase
from slotwatch.snapshot.routes import AskingRow, NodeRow, RouteRow


class RouteReport(ProcessMessage, frozen=True):
    """State of some routes, ten times a second; the routes take turns."""

    rows: tuple[RouteRow, ...]
    counted: dict[str, int]
    """What was counted and not used, by the names of `views.counted.COUNTED`."""
    node: NodeRow | None
    """None: the house file does not ask for a node."""
    asking: AskingRow | None
    """None: nothing was ever asked."""
    t_ns: int
    """When it was made."""
    began_ns: int
    """When the process began."""
    is_ending: bool = False
    """Whether it is the last one, because the process was asked to end."""


class PhaseNow(ProcessMessage, frozen=True):
    """The phase that is in force. Answers each report."""

    phase: Phase


class StartAsking(ProcessMessage, frozen=True):
    """A person wants fixtures to be asked."""

    seconds: float
    """How long; 0: as long as is usual."""


class EndAsking(ProcessMessage, frozen=True):
    """A person wants no more fixtures to be asked."""


ToRoutes = PhaseNow | StartAsking | EndAsking

FROM_ROUTES: msgspec.msgpack.Decoder[RouteReport] = msgspec.msgpack.Decoder(RouteReport)
TO_ROUTES: msgspec.msgpack.Decoder[ToRoutes] = msgspec.msgpack.Decoder(ToRoutes)
