"""Which port of which switch this listener is connected to, as the switch itself announces it by LLDP."""

from __future__ import annotations

from collections import deque

from slotwatch.durations import NANOSECONDS
from slotwatch.snapshot import NeighbourRow
from slotwatch.wire.observation import PortSeen

MOST_PER_NETWORK = 8
"""Devices kept for one network. Usually there is one; a hub, or a switch that passes LLDP on, shows several."""
TURNS_KEPT = 16
"""Changes from one device to another that are kept."""
PortId = tuple[str, str]
"""Chassis of a device, and its port."""


class Ports:
    """The newest announcement of each device at the other end of each network's lead."""

    def __init__(self) -> None:
        self._seen: dict[int, dict[PortId, PortSeen]] = {}
        self._turns: dict[int, deque[PortSeen]] = {}
        """Of a network: announcements of another device than the one before, the newest last."""

    def take(self, seen: PortSeen) -> None:
        """Take an announcement; one with a time to live of 0 ends what was announced before."""
        known = self._seen.setdefault(seen.network, {})
        key = id_of(seen)
        turns = self._turns.setdefault(seen.network, deque(maxlen=TURNS_KEPT))
        if seen.ttl_s and (not turns or turns[-1].chassis != seen.chassis):
            turns.append(seen)
        known.pop(key, None)
        if seen.ttl_s == 0:
            return  # the port is being shut down, or the device ends
        while len(known) >= MOST_PER_NETWORK:
            known.pop(next(iter(known)))
        known[key] = seen

    def now(self, network: int, now_ns: int) -> list[PortSeen]:
        """Give the ports that announce themselves there now, the newest last."""
        return [one for one in self._seen.get(network, {}).values() if now_ns - one.t_ns <= one.ttl_s * NANOSECONDS]

    def several(self, network: int, now_ns: int, turns: int) -> list[PortSeen]:
        """Give the devices that took turns this often lately, each once; none if there are fewer than two.

        Two ports of one device are one: leads may be bundled (IEEE 802.1AX).
        """
        seen = self._turns.get(network, deque())
        if len(seen) <= turns or now_ns - seen[-1 - turns].t_ns > 2 * seen[-1].ttl_s * NANOSECONDS:
            return []
        found = {one.chassis: one for one in self.now(network, now_ns)}
        return sorted(found.values(), key=switch_of) if len(found) > 1 else []

    def networks(self) -> list[int]:
        """Give the networks on which something announced itself."""
        return sorted(self._seen)

    def where(self, network: int, now_ns: int) -> str:
        """Say which port a network's lead is in now, in few words; nothing where none announces itself."""
        return " and ".join(say_port_of(one) for one in self.now(network, now_ns))

    def sentences(self, network: int) -> tuple[str, ...]:
        """Say where a network's lead goes, by the last announcement; nothing where none came."""
        last = next(reversed(self._seen.get(network, {}).values()), None)
        if last is None:
            return ()
        description = f" ({last.port_description})" if last.port_description not in ("", last.port) else ""
        return (f"By LLDP this listener is on port {last.port}{description} of switch {switch_of(last)}.",)

    def rows(self, now_ns: int, network_names: tuple[str, ...]) -> tuple[NeighbourRow, ...]:
        """Give all that announce themselves now."""
        return tuple(
            NeighbourRow(
                network_names[network] if network < len(network_names) else str(network),
                switch_of(one),
                one.port,
                one.port_description,
                one.chassis,
                one.management_address,
                one.vlan,
                one.t_ns,
            )
            for network in sorted(self._seen)
            for one in self.now(network, now_ns)
        )


def id_of(seen: PortSeen) -> PortId:
    """Give what identifies the port that sent an announcement."""
    return seen.chassis, seen.port


def say_port_of(seen: PortSeen) -> str:
    """Name a port as its switch announces it: `port 3 of switch FOH`."""
    return f"port {seen.port} of switch {switch_of(seen)}"


def switch_of(seen: PortSeen) -> str:
    """Name a switch as it names itself, else by its chassis."""
    return seen.system_name or seen.chassis
