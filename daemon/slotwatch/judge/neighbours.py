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


Claims = dict[str, int]
"""Device addresses that claim one address, and when each last did."""


@dataclass(slots=True)
class Neighbour:
    """One address of a network: which device claims it, and whether it still answers."""

    macs: Claims = field(default_factory=dict)
    reachable: bool = False
    answered_ns: int = 0
    failed_ns: int = 0
    moved_ns: int = 0
    """When another device than before claimed it last; 0: none did."""
    former_mac: str = ""
    """Whose it was before that, or before the first of moves that follow one another."""
    former_until_ns: int = 0


class Neighbours:
    """All addresses that are known, by network and IP address."""

    def __init__(self) -> None:
        self.by_address: dict[tuple[int, str], Neighbour] = {}
        """From this computer's own neighbour table (ARP, NDP)."""
        self.contested: dict[tuple[int, str], int] = {}
        """Addresses that went back to a device after another had claimed them: when that was last seen."""
        self._overheard: dict[tuple[int, str], Claims] = {}
        """From ARP and from packets of the devices themselves."""

    def get(self, network: int, address: str) -> Neighbour | None:
        return self.by_address.get((network, address))

    def device_address(self, network: int, address: str) -> str:
        """Give the device address behind an IP address, from this computer's own table, else overheard; else empty."""
        neighbour = self.by_address.get((network, address))
        claims = (neighbour.macs if neighbour else {}) or self._overheard.get((network, address), {})
        return max(claims, key=claims.__getitem__, default="")

    def device_at(self, network: int, address: str, t_ns: int) -> str:
        """Give the device address behind an IP address at a time, as far as that is known; else empty.

        While several devices claim it in turn, it is that of the device that had it before them.
        """
        key = network, address
        neighbour = self.by_address.get(key)
        if neighbour is not None and neighbour.former_mac:
            contested_ns = self.contested.get(key)
            if t_ns < neighbour.former_until_ns or (contested_ns is not None and t_ns - contested_ns < CONTEST_NS):
                return neighbour.former_mac
        return self.device_address(network, address)

    def rivals(self, network: int, address: str) -> list[str]:
        """Return the devices that claim a contested address in turn, sorted by their device addresses."""
        key = network, address
        neighbour = self.by_address.get(key)
        since_ns = self.contested[key] - CONTEST_NS
        claims = (*(neighbour.macs.items() if neighbour else ()), *self._overheard.get(key, {}).items())
        return sorted({mac for mac, t_ns in claims if t_ns >= since_ns})

    def overhear(self, seen: AddressSeen) -> None:
        """Take what a packet of the device shows."""
        key = seen.network, seen.address
        if key not in self._overheard and len(self._overheard) >= MOST_NEIGHBOURS:
            self._overheard.pop(next(iter(self._overheard)))
        self._note_claim(key, self._overheard.setdefault(key, {}), seen.mac, seen.t_ns)

    def take(self, seen: NeighbourSeen) -> None:
        """Take a row of this computer's own neighbour table."""
        key = (seen.network, seen.address)
        neighbour = self.by_address.get(key)
        if neighbour is None:
            if len(self.by_address) >= MOST_NEIGHBOURS:
                self.by_address.pop(next(iter(self.by_address)))
            neighbour = self.by_address[key] = Neighbour()
        if seen.mac:
            if self.device_address(*key) not in ("", seen.mac):
                self._note_move(neighbour, key, seen.t_ns)
            self._note_claim(key, neighbour.macs, seen.mac, seen.t_ns)
        answered_ns = seen.answered_ns or (seen.t_ns if seen.reachable else 0)
        neighbour.answered_ns = max(neighbour.answered_ns, answered_ns)
        if not seen.mac and neighbour.failed_ns <= neighbour.answered_ns:
            neighbour.failed_ns = seen.t_ns
        neighbour.reachable = seen.reachable

    def _note_move(self, neighbour: Neighbour, key: tuple[int, str], t_ns: int) -> None:
        if not neighbour.moved_ns or t_ns - neighbour.moved_ns > CONTEST_NS:
            neighbour.former_mac, neighbour.former_until_ns = self.device_address(*key), t_ns
        neighbour.moved_ns = t_ns

    def _note_claim(self, key: tuple[int, str], claims: Claims, mac: str, t_ns: int) -> None:
        """Note a claim; one that returns to a device after another's is a contest, a single change is a swap."""
        newest = max(claims, key=claims.__getitem__, default=None)
        if newest not in (None, mac) and mac in claims and t_ns - claims[mac] < CONTEST_NS:
            self.contested[key] = t_ns
            if len(self.contested) > MOST_CONTESTED:
                self.contested.pop(next(iter(self.contested)))
        claims[mac] = t_ns
        while len(claims) > MOST_CLAIMS:
            claims.pop(min(claims, key=claims.__getitem__))
