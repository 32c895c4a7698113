"""The short way of a routed frame: one source on the input, one running route, nothing cut, nobody else on the output.

Nearly every frame of nearly every route goes this way; whatever is out of the ordinary goes the long one, through merge
and lane, which says anew whether the short one is open. A test holds that both say the same.
"""

from __future__ import annotations

from slotwatch.bridge.merge import Heard, Input
from slotwatch.bridge.output import Lane, Output
from slotwatch.model.sequence import is_discarded
from slotwatch.wire.fields import PacketKind
from slotwatch.wire.plain import (
    ARTNET_SEQUENCE_AT,
    ARTNET_SLOTS_AT,
    E131_SEQUENCE_AT,
    E131_SLOTS_AT,
    Plain,
)
from slotwatch.wire.universe import SLOTS, Protocol

_LEVELS = int(PacketKind.LEVELS)
_PLACES = {
    int(Protocol.E131): (E131_SEQUENCE_AT, E131_SLOTS_AT),
    int(Protocol.ARTNET): (ARTNET_SEQUENCE_AT, ARTNET_SLOTS_AT),
}
_NOWHERE = (0, 0)


class Straight:
    """What such a frame touches, and what all of its datagrams have alike."""

    __slots__ = ("_address", "_head", "_rest", "_sequence_at", "_slots_at", "lane", "one", "only", "output", "place")

    def __init__(self, one: Input, only: Heard, lane: Lane, output: Output, place: int) -> None:
        """place: index of the output."""
        self.one, self.only, self.lane, self.output, self.place = one, only, lane, output, place
        protocol = int(lane.route.source.protocol)
        self._sequence_at, self._slots_at = _PLACES.get(protocol, _NOWHERE)
        self._head = self._rest = self._address = b""
        """Of the last datagram that `takes` took: bytes before its sequence number, and from there to its slots."""

    def goes_on(self, octets: bytes, address: bytes) -> bool:
        """Whether this datagram is the last one that was taken with another sequence number and other slots."""
        at, slots_at = self._sequence_at, self._slots_at
        return (
            len(octets) == slots_at + SLOTS
            and octets[:at] == self._head
            and octets[at + 1 : slots_at] == self._rest
            and address == self._address
            and not (self.one.sequenced and is_discarded(self.only.sequence, octets[at]))
            and not self.output.ending
        )

    def carry_on(self, octets: bytes, now_ns: int) -> bool:
        """Put what `goes_on` onto the output. True if it differs from the frame before."""
        return self._carry(octets[self._sequence_at], octets[self._slots_at :], now_ns)

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

    def carry(self, packet: Plain, octets: bytes, address: bytes, now_ns: int) -> bool:
        """Put what it takes onto the output, and remember its datagram. True if it differs from the frame before."""
        at = self._sequence_at
        self._head, self._rest, self._address = octets[:at], octets[at + 1 : self._slots_at], address
        return self._carry(packet.sequence, packet.slots, now_ns)

    def _carry(self, sequence: int, slots: bytes, now_ns: int) -> bool:
        only = self.only
        only.sequence, only.last_ns = sequence, now_ns
        if slots == only.levels:
            return False
        lane, output = self.lane, self.output
        only.levels = lane.levels = output.levels = slots
        if not lane.arrived_ns:
            lane.arrived_ns = now_ns
        output.pacer.change()
        return True
