"""The short way of a routed frame: one source on the input, one running route, nothing cut, nobody else on the output.

Nearly every frame of nearly every route goes this way; whatever is out of the ordinary goes the long one, through merge
and lane, which says anew whether the short one is open. A test holds that both say the same.
"""

from __future__ import annotations

from typing import NamedTuple

from slotwatch.bridge.merge import SLOTS, Heard, Input
from slotwatch.bridge.output import Lane, Output
from slotwatch.model.sequence import is_discarded
from slotwatch.wire.fields import Kind
from slotwatch.wire.plain import Plain

_LEVELS = int(Kind.LEVELS)


class Straight(NamedTuple):
    """What such a frame touches."""

    one: Input
    only: Heard
    lane: Lane
    output: Output
    place: int
    """Index of the output."""

    def takes(self, packet: Plain, address: bytes) -> bool:
        """Whether this packet is nothing but the next full frame of the same source at the same priority."""
        only = self.only
        return (
            packet.kind == _LEVELS
            and not packet.options
            and packet.priority == only.priority
            and len(packet.slots) == SLOTS == only.slots
            and packet.source_id + address == only.key
            and not (self.one.sequenced and is_discarded(only.sequence, packet.sequence))
            and not self.output.ending
        )

    def carry(self, packet: Plain, now_ns: int) -> bool:
        """Put it onto the output. True if it differs from the frame before."""
        only, slots = self.only, packet.slots
        only.sequence, only.last_ns = packet.sequence, now_ns
        if slots == only.levels:
            return False
        lane, output = self.lane, self.output
        only.levels = lane.levels = output.levels = slots
        if not lane.arrived_ns:
            lane.arrived_ns = now_ns
        output.pacer.change()
        return True
