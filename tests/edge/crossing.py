"""An order as it arrives in judging: written and read as between the two processes."""

from __future__ import annotations

import msgspec

from slotwatch.edge.shared.messages import Request
from slotwatch.edge.shared.messages.orders import FRONT_REQUEST, FrontOrder


def crossed(order: FrontOrder) -> FrontOrder:
    """Return the order that judging reads."""
    return FRONT_REQUEST.decode(msgspec.msgpack.encode(Request(1, order))).order
