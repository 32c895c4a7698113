"""How the switches are connected to each other, and which port each device is connected to.

Switches know each other by LLDP. Many ports learn a device's address; the device is connected to the one that does not
lead to another switch. What was known stays known while a port is down or a switch is silent: the switch forgets an
address when its lead is pulled, and that is when its place is needed.
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
"""Devices whose place is kept. Addresses come from the network; beyond this, the one seen longest ago is forgotten."""
PortKey = tuple[str, int]
"""Name of a switch in the house file, ifIndex of a port."""


@dataclass(frozen=True, slots=True)
class SwitchPlace:
    """Which port a device is connected to."""

    switch: str
    """Name in the house file."""
    index: int
    """ifIndex."""
    via: str
    """lldp: it announced itself there | snmp: its address was learnt there."""


@dataclass(frozen=True, slots=True)
class SwitchLink:
    """A lead between two switches, seen from one of them."""

    near: PortKey
    far: str
    """Name of the switch at the other end."""
    far_index: int | None
    """ifIndex of the port at the other end; None: the far switch does not report this lead."""


class Cabling:
    """What is connected to what. `follow` brings it up to date."""

    def __init__(self) -> None:
        self._links: dict[PortKey, str] = {}
        """Port that leads to another switch: that switch."""
        self._places: dict[str, SwitchPlace] = {}
        """By device address (aa:bb:cc:dd:ee:ff)."""
        self._addresses: dict[str, str] = {}
        """Device address of each IP address, as the switches resolved it."""
        self._uplinks: frozenset[PortKey] = frozenset()
        """As the house file declares them."""
        self._exchanges: dict[str, int] = {}
        """How often each switch was exchanged when its ports were last followed: another one's numbers are its own."""
        self._of: tuple[int, tuple[DeclaredSwitch, ...]] | None = None
        """Revision of the answers and declared switches that the rest was worked out from."""

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
            self._forget_exchanged(known)
            self._follow_links(known)
            self._follow_places(known)
        return self

    # --- what is asked --------------------------------------------------------------------------------

    def place_of(self, mac: str) -> SwitchPlace | None:
        """Give the port that a device is connected to; None: not known."""
        return self._places.get(mac) if mac else None

    def mac_of(self, address: str) -> str:
        """Give the device address that a switch resolved an IP address to; empty: none did."""
        return self._addresses.get(address, "")

    def links(self) -> list[SwitchLink]:
        """Give the leads between switches, once from each end that reports it."""
        ends = {(near[0], far): near[1] for near, far in self._links.items()}
        return [SwitchLink(near, far, ends.get((far, near[0]))) for near, far in self._links.items()]

    def far_switch(self, port: PortKey) -> str:
        """Give the switch at the other end of a port; empty: none is known."""
        return self._links.get(port, "")

    def is_uplink(self, port: PortKey) -> bool:
        """Whether a port leads to another switch, as it says or the house file."""
        return port in self._links or port in self._uplinks

    def uplinks(self) -> set[PortKey]:
        """Give every port that leads to another switch."""
        return {*self._links, *self._uplinks}

    def without(self, near: str, far: str) -> tuple[set[str], set[str]]:
        """Give the switches on either side of the leads between `near` and `far`: near's side, far's side.

        Both sets are the same where the two are also connected through other switches.
        """
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

    # --- what the switches say -------------------------------------------------------------------------

    def _forget_exchanged(self, known: Sequence[SwitchRecord]) -> None:
        now = {record.name: record.exchanges for record in known}
        gone = {name for name, count in self._exchanges.items() if now.get(name, count) != count}
        self._exchanges = now
        if gone:
            self._links = {near: far for near, far in self._links.items() if near[0] not in gone}
            self._places = {mac: place for mac, place in self._places.items() if place.switch not in gone}

    def _follow_links(self, known: Sequence[SwitchRecord]) -> None:
        names = {record.name for record in known}
        self._links = {near: far for near, far in self._links.items() if near[0] in names and far in names}
        for record in known:
            far_names: dict[int, str] = {}
            for neighbour in record.tables.neighbours:
                far = next((one for one in known if one is not record and is_from(neighbour, one)), None)
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
            # Where no LLDP says which port is the uplink, the port with the fewest addresses is the device's own.
            crowd = Counter(index for _, index in record.tables.macs)
            for mac, index in record.tables.macs:
                place = SwitchPlace(record.name, index, "snmp")
                if index not in record.ports or self.is_uplink((record.name, index)):
                    held = self._places.get(mac)
                    if held is not None and held.switch == record.name:
                        del self._places[mac]  # it moved to behind another switch
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


def is_from(seen: SwitchNeighbour | PortSeen, record: SwitchRecord) -> bool:
    """Whether an LLDP announcement is of this switch: by its chassis, its own name, or its name in the house file."""
    own = record.state.system_name if record.state else ""
    return (bool(seen.chassis) and seen.chassis == record.tables.chassis) or (
        bool(seen.system_name) and seen.system_name in (own, record.name)
    )


def is_mac(text: str) -> bool:
    return len(text) == 17 and text.count(":") == 5


def own_switch(switches: Iterable[SwitchRecord], seen: Iterable[PortSeen]) -> str:
    """Name the switch that this listener is connected to, by the LLDP it hears itself; empty: not known."""
    announced = list(seen)
    return next((record.name for record in switches if any(is_from(one, record) for one in announced)), "")


def say_port(record: PortRecord | None, place: SwitchPlace) -> str:
    """Name a port so that a person finds it: `port 3 of switch FOH`."""
    return f"port {record.port.name if record else place.index} of switch {place.switch}"
