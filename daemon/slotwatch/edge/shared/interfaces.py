"""The computer's interfaces as rtnetlink reports them, and which of them are the house's networks."""

from __future__ import annotations

import errno
import socket
import struct
from collections.abc import Container
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv4Network, IPv6Network, ip_address, ip_network
from pathlib import Path

from slotwatch.edge.shared import netlink
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House
from slotwatch.wire.observation import LinkSeen

IFF_UP, IFF_LOOPBACK, IFF_LOWER_UP = 0x1, 0x8, 0x10000
IFLA_IFNAME = 3
IFA_ADDRESS, IFA_LOCAL = 1, 2
GROUPS = netlink.RTMGRP_LINK | netlink.RTMGRP_IPV4_IFADDR | netlink.RTMGRP_IPV6_IFADDR


@dataclass(slots=True)
class Interface:
    """One interface as the kernel has it now."""

    index: int
    name: str
    up: bool
    """Administratively up, with carrier."""
    loopback: bool
    addresses: tuple[str, ...] = ()
    subnets: dict[str, IPv4Network | IPv6Network] = field(default_factory=dict)
    """Of each of its addresses."""

    def is_on_link(self, address: IPv4Address) -> bool:
        """Whether a device with this address needs no router to reach this interface."""
        return any(address in subnet for subnet in self.subnets.values())

    @property
    def subnet_texts(self) -> tuple[str, ...]:
        return tuple(sorted({str(subnet) for subnet in self.subnets.values()}))

    @property
    def speed_mbps(self) -> int | None:
        try:
            speed = int(Path(f"/sys/class/net/{self.name}/speed").read_text())
        except (OSError, ValueError):
            return None
        return speed if speed > 0 else None


@dataclass(slots=True)
class InterfaceTable:
    """All interfaces by index. Feed it rtnetlink messages; it says whether anything changed."""

    by_index: dict[int, Interface] = field(default_factory=dict)

    def take(self, kind: int, body: bytes) -> bool:
        if kind in (netlink.RTM_NEWLINK, netlink.RTM_DELLINK):
            return self._take_link(kind, body)
        if kind in (netlink.RTM_NEWADDR, netlink.RTM_DELADDR):
            return self._take_address(kind, body)
        return False

    def _take_link(self, kind: int, body: bytes) -> bool:
        family, index, flags = struct.unpack_from("=BxHiI", body)[0], *struct.unpack_from("=iI", body, 4)
        if family != socket.AF_UNSPEC:
            return False  # a bridge's or IPv6's view of the same link
        if kind == netlink.RTM_DELLINK:
            return self.by_index.pop(index, None) is not None
        name = netlink.attributes(body, 16).get(IFLA_IFNAME, b"").rstrip(b"\0").decode(errors="replace")
        up = bool(flags & IFF_UP) and bool(flags & IFF_LOWER_UP)
        known = self.by_index.get(index)
        if known is None:
            self.by_index[index] = Interface(index, name, up, bool(flags & IFF_LOOPBACK))
            return True
        changed = (known.name, known.up) != (name, up)
        known.name, known.up = name, up
        return changed

    def _take_address(self, kind: int, body: bytes) -> bool:
        index = struct.unpack_from("=I", body, 4)[0]
        known = self.by_index.get(index)
        found = netlink.attributes(body, 8)
        raw = found.get(IFA_LOCAL) or found.get(IFA_ADDRESS)
        if known is None or raw is None or len(raw) not in (4, 16):
            return False
        address = str(ip_address(raw))
        before = known.addresses
        if kind == netlink.RTM_DELADDR:
            known.addresses = tuple(a for a in before if a != address)
            known.subnets.pop(address, None)
            return known.addresses != before
        known.subnets[address] = ip_network((raw, body[1]), strict=False)
        if address not in before:
            known.addresses = (*before, address)
        return known.addresses != before

    def find(self, text: str) -> Interface | None:
        """The interface of this name or with this address."""
        for interface in self.by_index.values():
            if interface.name == text or text in interface.addresses:
                return interface
        return None


def read_interfaces() -> InterfaceTable:
    """All interfaces as they are now."""
    table = InterfaceTable()
    for kind in (netlink.RTM_GETLINK, netlink.RTM_GETADDR):
        for what, body in netlink.dump(kind):
            table.take(what, body)
    return table


class InterfaceWatch:
    """Follows the interfaces of a house's networks. `fd` becomes readable when the kernel reports a change.

    A network keeps to its interface's index once found, so a rename does not lose it, and looks for its
    declared name or address again when that index is gone. A house that declares no interface listens on
    every one but loopback, as one network.
    """

    def __init__(self, house: House) -> None:
        self._sock = netlink.open_netlink(GROUPS)
        self.fd = self._sock.fileno()
        self.table = read_interfaces()
        self._declared = [network.interface for network in house.networks]
        self._held: dict[int, int] = {}
        self._resolve()

    def close(self) -> None:
        self._sock.close()

    def take_house(self, house: House) -> None:
        """Follow another house's networks from now on."""
        self._declared = [network.interface for network in house.networks]
        self._held.clear()
        self._resolve()

    def require_one(self) -> None:
        """EdgeError if none of the declared interfaces exists: with one of them there is something to listen to."""
        if not self._held:
            self.require_all()

    def require_all(self, *, excused: Container[str] = ()) -> None:
        """EdgeError that names the first declared interface which does not exist. excused: those that may be gone."""
        for number, text in enumerate(self._declared):
            if number not in self._held and text not in excused:
                there = ", ".join(sorted(i.name for i in self.table.by_index.values())) or "none"
                raise EdgeError(
                    f"interface {text} does not exist (there are: {there})",
                    "correct --interface or `[listen] interfaces`; `ip -brief address` lists them",
                    errno.ENODEV,
                )

    def read(self) -> bool:
        """Read the kernel's messages. True if any interface changed."""
        changed = False
        while True:
            try:
                data = self._sock.recv(netlink.READ_BYTES)
            except BlockingIOError:
                break
            except OSError as error:
                if error.errno != errno.ENOBUFS:
                    raise
                # A message was lost: read everything again.
                self.table, changed = read_interfaces(), True
                continue
            for kind, body in netlink.messages(data):
                changed = self.table.take(kind, body) or changed
        if changed:
            self._resolve()
        return changed

    def interface(self, network: int) -> Interface | None:
        """The interface of a network now; None while it is gone."""
        return self.table.by_index.get(self._held.get(network, -1))

    def networks_by_index(self) -> dict[int, int]:
        """Interface index to network."""
        if self._declared:
            return {index: network for network, index in self._held.items()}
        return {i.index: 0 for i in self.table.by_index.values() if not i.loopback}

    def joining(self, network: int) -> list[Interface]:
        """The interfaces on which a network's groups are to be joined: those that are up."""
        wanted = [index for index, number in self.networks_by_index().items() if number == network]
        return [self.table.by_index[i] for i in wanted if i in self.table.by_index and self.table.by_index[i].up]

    def links(self, now_ns: int) -> list[LinkSeen]:
        """What is true of each network's link now."""
        if not self._declared:
            up = [i for i in self.table.by_index.values() if i.up and not i.loopback]
            names, addresses = "any", tuple(a for i in up for a in i.addresses)
            subnets = tuple(text for i in up for text in i.subnet_texts)
            return [LinkSeen(now_ns, 0, bool(up), addresses, names, None, True, subnets)]
        return [self._link(number, text, now_ns) for number, text in enumerate(self._declared)]

    def _link(self, number: int, text: str, now_ns: int) -> LinkSeen:
        found = self.interface(number)
        if found is None:
            return LinkSeen(now_ns, number, False, (), text, None, False)
        return LinkSeen(
            now_ns, number, found.up, found.addresses, found.name, found.speed_mbps, True, found.subnet_texts
        )

    def _resolve(self) -> None:
        for number, text in enumerate(self._declared):
            named = self.table.find(text)
            if named is not None:
                self._held[number] = named.index
            elif self._held.get(number) not in self.table.by_index:
                self._held.pop(number, None)
