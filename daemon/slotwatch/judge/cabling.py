"""How the switches hang together, and on which port each device hangs.

Switches know each other by LLDP. A device hangs on the port that learnt its address, of all ports that do not lead to
another switch. What was known stays known while a port is down or a switch is silent: a table empties when a lead is
pulled, and that is when its place is needed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from slotwatch.house.witnesses import DeclaredSwitch
from slotwatch.judge.switches import PortRecord, Switches, SwitchRecord
from slotwatch.wire.observation import PortSeen
from slotwatch.wire.switch import SwitchNeighbour

MOST_PLACES = 16_384
PortKey = tuple[str, int]
"""Name of a switch in the house file, ifIndex of a port."""


@dataclass(frozen=True, slots=True)
class SwitchPlace:
    """Where a device hangs."""

    switch: str
    index: int
    via: str
    """lldp: it announced itself there | snmp: its address was learnt there."""


@dataclass(frozen=True, slots=True)
class SwitchLink:
    """A way between two switches, seen from one of them."""

    near: PortKey
    far: str
    far_index: int | None


class Cabling:
    """What hangs on what. `follow` brings it up to date."""

    def __init__(self) -> None:
        self._links: dict[PortKey, str] = {}
        self._places: dict[str, SwitchPlace] = {}
        self._addresses: dict[str, str] = {}
        self._uplinks: frozenset[PortKey] = frozenset()
        self._of: tuple[int, tuple[DeclaredSwitch, ...]] | None = None

    def follow(self, switches: Switches, declared: tuple[DeclaredSwitch, ...]) -> Cabling:
        """Take what the switches have answered since the last call."""
        of = switches.revision, declared
        if self._of != of:
            switches.keep({one.name for one in declared})
            self._of = switches.revision, declared
            known = [record for one in declared if (record := switches.get(one.name))]
            self._uplinks = frozenset(
                (one.name, port.port.index)
                for one in declared
                if (switch := switches.get(one.name))
                for name in one.uplinks
                if (port := switch.port_named(name))
            )
            self._follow_links(known)
            self._follow_places(known)
        return self

    # --- what is asked --------------------------------------------------------------------------------

    def place_of(self, mac: str) -> SwitchPlace | None:
        return self._places.get(mac) if mac else None

    def mac_of(self, address: str) -> str:
        """Give the device address that a switch resolved an IP address to; empty: none did."""
        return self._addresses.get(address, "")

    def links(self) -> list[SwitchLink]:
        """Give the ways between switches, once from each end that knows of it."""
        ends = {(near[0], far): near[1] for near, far in self._links.items()}
        return [SwitchLink(near, far, ends.get((far, near[0]))) for near, far in self._links.items()]

    def far_switch(self, port: PortKey) -> str:
        """Give the switch at the other end of a port; empty: none is known."""
        return self._links.get(port, "")

    def is_uplink(self, port: PortKey) -> bool:
        """Whether a port leads to another switch, as it says or the house file."""
        return port in self._links or port in self._uplinks

    def uplinks(self) -> set[PortKey]:
        return {*self._links, *self._uplinks}

    def without(self, near: str, far: str) -> tuple[set[str], set[str]]:
        """Give the switches on either side of the ways between two switches: those around `near`, those around
        `far`. Both are the same where another way goes round."""
        return self._reach(near, near, far), self._reach(far, near, far)

    def _reach(self, start: str, one: str, other: str) -> set[str]:
        found, todo = {start}, [start]
        while todo:
            here = todo.pop()
            for (switch, _), far in self._links.items():
                for a, b in ((switch, far), (far, switch)):
                    if a == here and b not in found and {a, b} != {one, other}:
                        found.add(b)
                        todo.append(b)
        return found

    # --- what the switches tell -----------------------------------------------------------------------

    def _follow_links(self, known: Sequence[SwitchRecord]) -> None:
        names = {record.name for record in known}
        self._links = {near: far for near, far in self._links.items() if near[0] in names and far in names}
        for record in known:
            far_names: dict[int, str] = {}
            for neighbour in record.tables.neighbours:
                far = next((one for one in known if one is not record and is_at(neighbour, one)), None)
                if far is not None and neighbour.port in record.ports:
                    far_names[neighbour.port] = far.name
            moved = set(far_names.values())
            for near in [near for near, far in self._links.items() if near[0] == record.name and far in moved]:
                del self._links[near]
            self._links |= {(record.name, index): far for index, far in far_names.items()}

    def _follow_places(self, known: Sequence[SwitchRecord]) -> None:
        self._addresses = {address: mac for record in known for address, mac in record.tables.addresses}
        best: dict[str, tuple[int, SwitchPlace]] = {}
        for record in known:
            crowd = Counter(index for _, index in record.tables.macs)
            for mac, index in record.tables.macs:
                place = SwitchPlace(record.name, index, "snmp")
                if index not in record.ports or self.is_uplink((record.name, index)):
                    held = self._places.get(mac)
                    if held is not None and held.switch == record.name:
                        del self._places[mac]  # it moved behind another switch
                elif mac not in best or crowd[index] < best[mac][0]:
                    best[mac] = crowd[index], place
            for neighbour in record.tables.neighbours:
                if not self.is_uplink((record.name, neighbour.port)) and neighbour.port in record.ports:
                    place = SwitchPlace(record.name, neighbour.port, "lldp")
                    best |= {mac: (0, place) for mac in (neighbour.chassis, neighbour.remote_port) if is_mac(mac)}
        for mac, (_, place) in best.items():
            self._places.pop(mac, None)
            self._places[mac] = place
        while len(self._places) > MOST_PLACES:
            self._places.pop(next(iter(self._places)))


def is_at(neighbour: SwitchNeighbour, record: SwitchRecord) -> bool:
    """Whether what announced itself is this switch."""
    own = record.state.system_name if record.state else ""
    return (bool(neighbour.chassis) and neighbour.chassis == record.tables.chassis) or (
        bool(neighbour.system_name) and neighbour.system_name in (own, record.name)
    )


def is_mac(text: str) -> bool:
    return len(text) == 17 and text.count(":") == 5


def own_switch(switches: Iterable[SwitchRecord], seen: Iterable[PortSeen]) -> str:
    """Name the switch that this listener hangs on, by what it hears itself; empty: not known."""
    announced = list(seen)
    for record in switches:
        name = record.state.system_name if record.state else ""
        for one in announced:
            if (one.chassis and one.chassis == record.tables.chassis) or (
                one.system_name and one.system_name in (name, record.name)
            ):
                return record.name
    return ""


def say_port(record: PortRecord | None, place: SwitchPlace) -> str:
    """Name a port so that a person finds it: `port 3 of switch FOH`."""
    return f"port {record.port.name if record else place.index} of switch {place.switch}"
