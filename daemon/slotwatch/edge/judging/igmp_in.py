"""Hearing IGMP, MLD, LLDP and ARP: queriers, group members, the switch port of this computer, device addresses.

Listens only, joins nothing, sends nothing.

A packet socket on each interface, with a filter in the kernel that lets only LLDP, ARP, IGMP, IPv6 with hop-by-hop
options, and what sources send of themselves every few seconds through: E1.31 discovery, Art-Net polls and replies.
It needs CAP_NET_RAW. Without it, every network is reported as "not watched", and nothing else changes. The groups of
reports are let through the interface's own filter by their hardware address, which tells the network nothing.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import socket
import struct
from collections import Counter
from collections.abc import Sequence, Set
from ipaddress import IPv4Address

from slotwatch.edge.shared.interfaces import Interface, InterfaceWatch
from slotwatch.house.schema import House
from slotwatch.wire import arp, igmp, lldp
from slotwatch.wire.observation import (
    AddressSeen,
    ArpCounted,
    MembershipSeen,
    PortSeen,
    QuerierWatchSeen,
    QuerySeen,
    ReportsDropped,
)

ETH_P_IP, ETH_P_IPV6, ETH_P_ALL = 0x0800, 0x86DD, 0x0003
SO_ATTACH_FILTER = 26
SOL_PACKET, PACKET_ADD_MEMBERSHIP, PACKET_MR_MULTICAST, PACKET_STATISTICS = 263, 1, 0, 6
PACKET_OUTGOING = 4
REPORT_GROUPS = ("01005e000016", "01005e000002", "333300000016")
"""IGMPv3 reports (224.0.0.22), IGMPv2 leaves (224.0.0.2), MLDv2 reports (ff02::16): RFC 1112 and RFC 2464 mapping."""
PACKET_BYTES = 2048
LOOK_NS = 100_000_000
"""How often the sockets are looked at. Nothing on them wakes judging, so that a storm costs no more than this."""
MOST_A_LOOK = 256
"""Packets read of an interface at one look. The kernel drops, and counts, what does not fit its buffer meanwhile."""
MOST_DEVICES = 4096
MANY_ARP = 20
"""ARP packets of one look from which they are counted: a house at rest sends a few a second."""
FIX = "for the unit: AmbientCapabilities=CAP_NET_RAW; by hand: sudo setcap cap_net_raw+ep on the interpreter"

IGMP, UDP = 2, 17
_ACN, _EXTENDED, _DISCOVERY = 0x4153432D, 8, 2
""""ASC-" of the packet identifier; vectors of the root and the framing layer (ANSI E1.31-2018 5.3, Appendix A)."""
_ART, _POLL, _POLL_REPLY = 0x4172742D, 0x0020, 0x0021
""""Art-", and the codes 0x2000 and 0x2100 with their low byte first (Art-Net 4, ArtPoll, ArtPollReply)."""
_FILTER = (
    (0x28, 0, 0, 0xFFFFF000),  # protocol of the frame (SKF_AD_OFF + SKF_AD_PROTOCOL)
    (0x15, 22, 0, lldp.ETHERTYPE),
    (0x15, 21, 0, arp.ETHERTYPE),
    (0x15, 3, 0, ETH_P_IP),
    (0x15, 0, 20, ETH_P_IPV6),
    (0x30, 0, 0, 6),  # IPv6 next header
    (0x15, 17, 18, 0),  # hop-by-hop options, which every MLD message has (RFC 2710 3)
    (0x30, 0, 0, 9),  # IPv4 protocol
    (0x15, 15, 0, IGMP),
    (0x15, 0, 15, UDP),
    (0x28, 0, 0, 6),
    (0x45, 13, 0, 0x1FFF),  # a later fragment has no UDP header
    (0xB1, 0, 0, 0),  # behind the IPv4 header is UDP's, of 8 bytes
    (0x40, 0, 0, 8),
    (0x15, 6, 0, _ART),
    (0x40, 0, 0, 12),
    (0x15, 0, 8, _ACN),
    (0x40, 0, 0, 26),
    (0x15, 0, 6, _EXTENDED),
    (0x40, 0, 0, 48),
    (0x15, 3, 4, _DISCOVERY),
    (0x48, 0, 0, 16),
    (0x15, 1, 0, _POLL),
    (0x15, 0, 1, _POLL_REPLY),
    (0x06, 0, 0, 0xFFFFFFFF),
    (0x06, 0, 0, 0),
)
_ONLY_QUERIES = (
    (0x28, 0, 0, 0xFFFFF000),
    (0x15, 0, 5, ETH_P_IP),
    (0x30, 0, 0, 9),
    (0x15, 0, 14, IGMP),
    (0xB1, 0, 0, 0),
    (0x50, 0, 0, 0),  # behind the IPv4 header is the type (RFC 2236 2)
    (0x15, 10, 11, 0x11),
    (0x15, 0, 10, ETH_P_IPV6),
    (0x30, 0, 0, 6),
    (0x15, 0, 8, 0),
    (0x30, 0, 0, 41),  # length of the hop-by-hop options in units of 8 bytes, the first left out (RFC 8200 4.3)
    (0x04, 0, 0, 1),
    (0x64, 0, 0, 3),
    (0x07, 0, 0, 0),
    (0x50, 0, 0, 40),  # behind them is the type (RFC 2710 3)
    (0x15, 1, 0, 130),
    (0x05, 0, 0, 1),
    (0x06, 0, 0, 0xFFFFFFFF),
    (0x06, 0, 0, 0),
)
"""Queries have a socket of their own: in a flood of reports the kernel drops most of what waits in the other."""

Seen = QuerySeen | MembershipSeen | ReportsDropped | ArpCounted | QuerierWatchSeen | PortSeen | AddressSeen


class GroupWatch:
    """The listening sockets of a house's networks."""

    def __init__(self, house: House) -> None:
        self._interfaces = InterfaceWatch(house)
        self._sockets: dict[int, tuple[int, socket.socket, socket.socket]] = {}
        """Interface index to its network and sockets: of queries, and of all else."""
        self._refused = ""
        self._outcomes: dict[int, tuple[bool, str]] = {}
        self._devices: dict[tuple[int, str], str] = {}
        self._look_ns = 0
        """When the next look at the sockets is due."""
        self._open()

    def fds(self) -> list[int]:
        """The descriptors that are worth waking for. They stay the same while interfaces come and go."""
        return [self._interfaces.fd]

    def close(self) -> None:
        for _, *both in self._sockets.values():
            for sock in both:
                sock.close()
        self._sockets.clear()
        self._interfaces.close()

    def take_house(self, house: House) -> None:
        self._interfaces.take_house(house)
        self._outcomes.clear()
        self._open()

    def read(self, ready: Set[int], now_ns: int) -> list[Seen]:
        """What was heard, and changes of what can be heard."""
        if self._interfaces.fd in ready and self._interfaces.read():
            self._open()
        found: list[Seen] = list(self._watched(now_ns))
        if now_ns < self._look_ns:
            return found
        self._look_ns = now_ns + LOOK_NS
        for index, (network, queries, sock) in self._sockets.items():
            found += _asked(queries, network, now_ns)
            found += self._changed(_heard(sock, self._interfaces.table.by_index.get(index), network, now_ns))
        return found

    def _changed(self, heard: list[Seen]) -> list[Seen]:
        """Leave out addresses that were passed on before: ARP comes many times a second, and judging may idle."""
        found: list[Seen] = []
        for seen in heard:
            if isinstance(seen, AddressSeen):
                if self._devices.get((seen.network, seen.address)) == seen.mac:
                    continue
                if len(self._devices) >= MOST_DEVICES:
                    self._devices.clear()
                self._devices[seen.network, seen.address] = seen.mac
            found.append(seen)
        return found

    def _open(self) -> None:
        """Have a socket on every interface of the house that exists, and on no other."""
        wanted = self._interfaces.networks_by_index()
        for index in [i for i, (network, *_) in self._sockets.items() if wanted.get(i) != network]:
            for sock in self._sockets.pop(index)[1:]:
                sock.close()
        for index, network in wanted.items():
            found = self._interfaces.table.by_index.get(index)
            if index in self._sockets or found is None:
                continue
            try:
                self._sockets[index] = (network, *_listening(index, found.name))
                self._refused = ""
            except OSError as error:
                self._refused = _reason(error)

    def _watched(self, now_ns: int) -> list[QuerierWatchSeen]:
        networks = {network for network, *_ in self._sockets.values()}
        by_index, changed = self._interfaces.table.by_index, []
        # Loopback has no switch and so no querier: none is waited for.
        outward = {
            network
            for index, network in self._interfaces.networks_by_index().items()
            if index not in by_index or not by_index[index].loopback
        }
        for network in outward:
            outcome = (network in networks, "" if network in networks else self._refused)
            if self._outcomes.get(network) != outcome:
                self._outcomes[network] = outcome
                changed.append(QuerierWatchSeen(now_ns, network, *outcome))
        return changed


def _listening(index: int, name: str) -> tuple[socket.socket, socket.socket]:
    """Open the sockets of an interface: of queries, and of all else. Refused like any socket."""
    queries = _opened(index, name, _ONLY_QUERIES)
    try:
        return queries, _opened(index, name, _FILTER)
    except BaseException:
        queries.close()
        raise


def _opened(index: int, name: str, lines: Sequence[tuple[int, int, int, int]]) -> socket.socket:
    sock = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK, 0)
    try:
        _attach(sock, lines)
        for address in (*REPORT_GROUPS, lldp.NEAREST_BRIDGE):
            request = struct.pack("=iHH8s", index, PACKET_MR_MULTICAST, 6, bytes.fromhex(address))
            with contextlib.suppress(OSError):  # an interface without such a filter lets all through
                sock.setsockopt(SOL_PACKET, PACKET_ADD_MEMBERSHIP, request)
        # Bound last: with protocol 0 nothing arrives before the filter is set.
        sock.bind((name, ETH_P_ALL))
    except BaseException:
        sock.close()
        raise
    return sock


def _attach(sock: socket.socket, lines: Sequence[tuple[int, int, int, int]]) -> None:
    program = ctypes.create_string_buffer(b"".join(struct.pack("=HBBI", *line) for line in lines))
    head = struct.pack("@HP", len(lines), ctypes.addressof(program))
    sock.setsockopt(socket.SOL_SOCKET, SO_ATTACH_FILTER, head)


def _reason(error: OSError) -> str:
    if error.errno in (errno.EPERM, errno.EACCES):
        return f"no right to listen for IGMP; {FIX}"
    return f"cannot listen for IGMP: {os.strerror(error.errno or 0)}"


def _asked(sock: socket.socket, network: int, now_ns: int) -> list[Seen]:
    """Queries that came since the last look."""
    found: list[Seen] = []
    for _ in range(MOST_A_LOOK):
        try:
            packet, address = sock.recvfrom(PACKET_BYTES)
        except OSError:
            break
        if address[2] != PACKET_OUTGOING:
            found += [seen for seen in igmp.observations(packet, now_ns, network) if isinstance(seen, QuerySeen)]
    return found


def _heard(sock: socket.socket, interface: Interface | None, network: int, now_ns: int) -> list[Seen]:
    found: list[Seen] = []
    read = reports = 0
    arp_of: Counter[str] = Counter()
    for _ in range(MOST_A_LOOK):
        try:
            packet, address = sock.recvfrom(PACKET_BYTES)
        except OSError:
            break  # nothing more, or the interface went down: netlink reports that
        read += 1
        if address[2] == PACKET_OUTGOING:
            continue
        if address[1] == lldp.ETHERTYPE:
            found += _announced(packet, network, now_ns)
        elif address[1] == arp.ETHERTYPE:
            arp_of[address[4].hex(":")] += 1
            announced = arp.read_arp(packet)
            found += [AddressSeen(now_ns, network, *announced)] if announced else []
        elif address[1] == ETH_P_IP and packet[9] == UDP:
            sender = IPv4Address(packet[12:16])
            # What a router passed on has the router's device address.
            if interface is not None and interface.is_on_link(sender):
                found.append(AddressSeen(now_ns, network, str(sender), address[4].hex(":")))
        else:
            reports += 1
            found += [seen for seen in igmp.observations(packet, now_ns, network) if isinstance(seen, MembershipSeen)]
    # What was dropped since the last look is of the same kinds as what was read.
    dropped = _dropped(sock) if read else 0
    if dropped * reports // max(read, 1):
        found.append(ReportsDropped(now_ns, network, dropped * reports // read))
    if arp_of.total() >= MANY_ARP:
        found.append(ArpCounted(now_ns, network, dict(arp_of), dropped * arp_of.total() // read))
    return found


def _dropped(sock: socket.socket) -> int:
    """How many packets the kernel dropped since this was asked last."""
    _, dropped = struct.unpack("=II", sock.getsockopt(SOL_PACKET, PACKET_STATISTICS, 8))
    return int(dropped)


def _announced(packet: bytes, network: int, now_ns: int) -> list[Seen]:
    announced = lldp.read_lldp(packet)
    if announced is None:
        return []
    about = announced.port_description, announced.system_name, announced.management_address, announced.vlan
    return [PortSeen(now_ns, network, announced.chassis, announced.port, announced.ttl_s, *about)]
