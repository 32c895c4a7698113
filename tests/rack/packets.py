"""The desk's packets: made by the library sacn, which shares no code with slotwatch."""

from __future__ import annotations

from sacn.messages.data_packet import DataPacket

CID = tuple(b"rack-test-desk-0")
NAME = "rack desk"


def packets(universes: range, priority: int = 100) -> bytes:
    """One whole packet of 512 slots for each universe, 638 bytes each (ANSI E1.31 table 4-1)."""
    made = (DataPacket(CID, NAME, number, (0,) * 512, priority=priority).getBytes() for number in universes)
    return b"".join(bytes(one) for one in made)
