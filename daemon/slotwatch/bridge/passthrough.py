"""The fast path of a routed frame: one source on the input, one running route, all slots, no other route on the output.

Nearly every frame of nearly every route takes it. Every other frame takes the full path through merge and lane, which
decides again whether the fast path may be used. A test checks that both paths send the same.
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
    """The objects that such a frame changes, and the bytes that all of its datagrams share."""

    __slots__ = ("_address", "_head", "_rest", "_sequence_at", "_slots_at", "lane", "one", "only", "output", "place")

    def __init__(self, one: Input, only: Heard, lane: Lane, output: Output, place: int) -> None:
        """one: the input. only: its single source. place: index of the output."""
        self.one, self.only, self.lane, self.output, self.place = one, only, lane, output, place
        protocol = int(lane.route.source.protocol)
        self._sequence_at, self._slots_at = _PLACES.get(protocol, _NOWHERE)
        self._head = self._rest = self._address = b""
        """Of the last datagram that `carry` took: its bytes before the sequence number, its bytes from there to the
        slots, and its sender's address (16 bytes)."""

    def goes_on(self, raw: bytes, address: bytes) -> bool:
        """Whether this datagram differs from the last one that was taken in its sequence number and its slots only."""
        at, slots_at = self._sequence_at, self._slots_at
        return (
            len(raw) == slots_at + SLOTS
            and raw[:at] == self._head
            and raw[at + 1 : slots_at] == self._rest
            and address == self._address
            and not (self.one.sequenced and is_discarded(self.only.sequence, raw[at]))
            and not self.output.ending
        )

    def carry_on(self, raw: bytes, now_ns: int) -> bool:
        """Put a datagram for which `goes_on` holds onto the output. True if its levels differ from the frame before."""
        return self._carry(raw[self._sequence_at], raw[self._slots_at :], now_ns)

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

    def carry(self, packet: Plain, raw: bytes, address: bytes, now_ns: int) -> bool:
        """Put a packet for which `takes` is true onto the output, and remember its datagram.

        True if its levels differ from the frame before.
        """
        at = self._sequence_at
        self._head, self._rest, self._address = raw[:at], raw[at + 1 : self._slots_at], address
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
