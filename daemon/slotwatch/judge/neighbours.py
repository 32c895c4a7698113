"""Addresses of each network: which device claims them, whether they answer, and those that two devices claim.

Every table is bounded, for the network names what is in it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from slotwatch.durations import NANOSECONDS
from slotwatch.wire.observation import AddressSeen, NeighbourSeen

MOST_NEIGHBOURS = 4096
MOST_CONTESTED = 64
MOST_CLAIMS = 4
"""Devices that are kept for one address."""
CONTEST_NS = 60 * NANOSECONDS
"""Time within which an address moves to another device and back (RFC 5227)."""


@dataclass(slots=True)
class Neighbour:
    """One address of a network: which device claims it, and whether it still answers."""

    macs: dict[str, int] = field(default_factory=dict)
    """Device address: when it last claimed this one."""
    reachable: bool = False
    answered_ns: int = 0
    failed_ns: int = 0


class Neighbours:
    """All addresses that are known, by network and IP address."""

    def __init__(self) -> None:
        self.by_address: dict[tuple[int, str], Neighbour] = {}
        """From this computer's own neighbour table (ARP, NDP)."""
        self.contested: dict[tuple[int, str], int] = {}
        """Addresses that went back to a device after another had claimed them: when that was last seen."""
        self._overheard: dict[tuple[int, str], str] = {}
        """Device addresses, from ARP and from packets of the devices themselves."""

    def get(self, network: int, address: str) -> Neighbour | None:
        return self.by_address.get((network, address))

    def device_address(self, network: int, address: str) -> str:
        """Give the device address behind an IP address, from this computer's own table, else overheard; else empty."""
        neighbour = self.by_address.get((network, address))
        if neighbour and neighbour.macs:
            return max(neighbour.macs, key=neighbour.macs.__getitem__)
        return self._overheard.get((network, address), "")

    def overhear(self, seen: AddressSeen) -> None:
        """Take what a packet of the device shows."""
        key = seen.network, seen.address
        if key not in self._overheard and len(self._overheard) >= MOST_NEIGHBOURS:
            self._overheard.pop(next(iter(self._overheard)))
        self._overheard[key] = seen.mac

    def take(self, seen: NeighbourSeen) -> None:
        """Take a row of this computer's own neighbour table."""
        key = (seen.network, seen.address)
        neighbour = self.by_address.get(key)
        if neighbour is None:
            if len(self.by_address) >= MOST_NEIGHBOURS:
                self.by_address.pop(next(iter(self.by_address)))
            neighbour = self.by_address[key] = Neighbour()
        if seen.mac:
            self._note_claim(key, neighbour, seen)
        answered_ns = seen.answered_ns or (seen.t_ns if seen.reachable else 0)
        neighbour.answered_ns = max(neighbour.answered_ns, answered_ns)
        if not seen.mac and neighbour.failed_ns <= neighbour.answered_ns:
            neighbour.failed_ns = seen.t_ns
        neighbour.reachable = seen.reachable

    def _note_claim(self, key: tuple[int, str], neighbour: Neighbour, seen: NeighbourSeen) -> None:
        """Note a claim; one that returns to a device after another's is a contest, a single change is a swap."""
        claims = neighbour.macs
        newest = max(claims, key=lambda mac: claims[mac], default=None)
        if newest not in (None, seen.mac) and seen.t_ns - claims.get(seen.mac, 0) < CONTEST_NS and seen.mac in claims:
            self.contested[key] = seen.t_ns
            if len(self.contested) > MOST_CONTESTED:
                self.contested.pop(next(iter(self.contested)))
        claims[seen.mac] = seen.t_ns
        while len(claims) > MOST_CLAIMS:
            claims.pop(min(claims, key=lambda mac: claims[mac]))
