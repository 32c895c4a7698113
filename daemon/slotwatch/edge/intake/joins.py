"""Memberships of multicast groups, held by sockets that are bound to nothing and read nothing.

The kernel limits IPv4 joins per socket (20 by default), so each holder takes as many as it may and another
one follows. The data socket hears all of them. Holders belong to one interface, so that a lead that comes
back is joined afresh (its switch has forgotten us) while every other network keeps what it has.
"""

from __future__ import annotations

import contextlib
import errno
import os
import socket
import struct
from dataclasses import dataclass, field

from slotwatch.edge.shared.interfaces import Interface, InterfaceWatch
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House
from slotwatch.wire.observation import JoinSeen, LeaveSeen
from slotwatch.wire.universe import E131_DISCOVERY, Protocol

MOST_IPV4_JOINS = 20
"""net.ipv4.igmp_max_memberships of an untouched kernel."""
MOST_IPV6_JOINS = 500
"""One socket ends at 2,340 (ENOMEM, measured); spread them long before that."""
MOST_LISTED_GROUPS = 512
"""Universes of discovery lists that are joined on a network where nothing is declared: lists can be forged."""
MOST_SYNC_GROUPS = 64
"""Synchronization addresses are named by the network, so they are bounded: more are not joined."""


def group_ipv4(universe: int) -> str:
    """ANSI E1.31-2018 table 9-10."""
    return f"239.255.{universe >> 8}.{universe & 0xFF}"


def group_ipv6(universe: int) -> str:
    """ANSI E1.31-2018 tables 9-11 and 9-12."""
    return f"ff18::8300:{universe:x}"


def wanted_universes(house: House) -> dict[int, set[int]]:
    """E1.31 universes whose groups a house wants, by network; with the discovery group on each of them."""
    networks = range(max(1, len(house.networks)))
    if house.listen.join == "none" or Protocol.E131 not in house.listen.protocols:
        return {number: set() for number in networks}
    wanted: dict[int, set[int]] = {number: {E131_DISCOVERY} for number in networks}
    for universe in house.universes:
        if universe.id.protocol is Protocol.E131:
            for number in universe.networks:
                wanted.setdefault(number, set()).add(universe.id.number)
    if house.first_contact is not None:
        for universes in wanted.values():
            universes.update(house.first_contact.universes)
    for route in house.routes:
        if route.source.protocol is Protocol.E131:
            wanted.setdefault(route.source_network or 0, set()).add(route.source.number)
    return wanted


def join_error(number: int, universe: int, interface: str) -> EdgeError:
    """Return the sentence and the advice for one errno of a join. Unknown ones give the kernel's text."""
    what = f"e131/{universe}: its multicast group could not be joined on {interface}"
    known = {
        errno.ENOBUFS: (
            "the kernel's limit of memberships is reached",
            "raise it: sudo sysctl net.ipv4.igmp_max_memberships=20 or more",
        ),
        errno.ENOMEM: ("no memory for options of the socket", "raise it: sudo sysctl net.core.optmem_max=131072"),
        errno.ENODEV: ("the interface is gone", "plug it in again; it is then joined by itself"),
        errno.ENXIO: ("the interface is gone", "plug it in again; it is then joined by itself"),
        errno.EADDRNOTAVAIL: ("the interface has no address", f"give it one: see `ip address show {interface}`"),
        errno.EPERM: ("not permitted", "run it by the systemd unit that is shipped, or lift the sandbox"),
        errno.EACCES: ("not permitted", "run it by the systemd unit that is shipped, or lift the sandbox"),
        errno.EINVAL: (
            "the interface does not accept multicast",
            f"turn it on: sudo ip link set {interface} multicast on",
        ),
    }
    if number in known:
        sentence, advice = known[number]
        return EdgeError(f"{what}: {sentence}", advice, number)
    return EdgeError(f"{what}: {os.strerror(number)}", "see `slotwatch host`", number)


@dataclass(slots=True)
class Holder:
    """The memberships of one interface and one family."""

    index: int
    v6: bool
    groups: dict[int, socket.socket] = field(default_factory=dict)
    """Universe to the socket that holds its group."""
    _held: dict[socket.socket, int] = field(default_factory=dict)
    """How many groups each socket holds."""
    _roomy: list[socket.socket] = field(default_factory=list)
    """Those that may hold more."""

    def join(self, universe: int) -> None:
        """Join a universe's group. OSError if the kernel refuses even an empty socket."""
        if universe in self.groups:
            return
        while self._roomy:
            sock = self._roomy[-1]
            try:
                self._call(sock, universe, join=True)
            except OSError as error:
                if error.errno not in (errno.ENOBUFS, errno.ENOMEM):
                    raise
                self._roomy.pop()  # full before its time (the limit was lowered)
                continue
            self._keep(universe, sock)
            return
        sock = socket.socket(socket.AF_INET6 if self.v6 else socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self._call(sock, universe, join=True)
        except OSError:
            sock.close()
            raise
        self._roomy.append(sock)
        self._keep(universe, sock)

    def leave(self, universe: int) -> None:
        sock = self.groups.pop(universe, None)
        if sock is None:
            return
        # An interface that went away took the membership with it.
        with contextlib.suppress(OSError):
            self._call(sock, universe, join=False)
        self._held[sock] -= 1
        if not self._held[sock]:
            del self._held[sock]
            if sock in self._roomy:
                self._roomy.remove(sock)
            sock.close()
        elif sock not in self._roomy:
            self._roomy.insert(0, sock)

    def close(self) -> None:
        for sock in self._held:
            sock.close()
        self.groups.clear()
        self._held.clear()
        self._roomy.clear()

    def _keep(self, universe: int, sock: socket.socket) -> None:
        self.groups[universe] = sock
        self._held[sock] = self._held.get(sock, 0) + 1
        if self._held[sock] >= (MOST_IPV6_JOINS if self.v6 else MOST_IPV4_JOINS):
            self._roomy.remove(sock)

    def _call(self, sock: socket.socket, universe: int, *, join: bool) -> None:
        if self.v6:
            request = socket.inet_pton(socket.AF_INET6, group_ipv6(universe)) + struct.pack("=I", self.index)
            option = socket.IPV6_JOIN_GROUP if join else socket.IPV6_LEAVE_GROUP
            sock.setsockopt(socket.IPPROTO_IPV6, option, request)
        else:
            request = socket.inet_aton(group_ipv4(universe)) + bytes(4) + struct.pack("=i", self.index)
            option = socket.IP_ADD_MEMBERSHIP if join else socket.IP_DROP_MEMBERSHIP
            sock.setsockopt(socket.IPPROTO_IP, option, request)


class Joins:
    """All memberships of this program. `update` joins and leaves what differs from what is wanted, and nothing else."""

    def __init__(self) -> None:
        self._holders: dict[tuple[int, bool], Holder] = {}
        self._outcomes: dict[tuple[int, int], tuple[bool, str]] = {}

    def close(self) -> None:
        for holder in self._holders.values():
            holder.close()
        self._holders.clear()

    def held(self) -> int:
        """Memberships held now, both families."""
        return sum(len(holder.groups) for holder in self._holders.values())

    def update(
        self, wanted: dict[int, set[int]], watch: InterfaceWatch, now_ns: int
    ) -> tuple[list[JoinSeen], list[LeaveSeen]]:
        """Join and leave what differs; forget the memberships of interfaces that are down, to join again.

        `wanted`: universes by network. Returns the outcomes that changed, and the groups that are no longer wanted.
        """
        up = {i.index for number in wanted for i in watch.joining(number)}
        for key in [key for key in self._holders if key[0] not in up]:
            self._holders.pop(key).close()
        changed: list[JoinSeen] = []
        for number, universes in wanted.items():
            outcomes: dict[int, tuple[bool, str]] = {}
            for interface in watch.joining(number):
                self._leave_others(interface.index, universes)
                for universe, outcome in self._join_all(interface, universes).items():
                    if not outcomes.get(universe, (False, ""))[0]:
                        outcomes[universe] = outcome
            for universe, outcome in outcomes.items():
                if self._outcomes.get((number, universe)) != outcome:
                    self._outcomes[number, universe] = outcome
                    changed.append(JoinSeen(now_ns, number, universe, *outcome))
        left = [place for place in self._outcomes if place[1] not in wanted.get(place[0], ())]
        for place in left:
            del self._outcomes[place]
        return changed, [LeaveSeen(now_ns, *place) for place in left]

    def outcomes(self, now_ns: int) -> list[JoinSeen]:
        """Every outcome in its present state, for a judging process that has just started."""
        return [JoinSeen(now_ns, number, universe, *outcome) for (number, universe), outcome in self._outcomes.items()]

    def holder_of(self, index: int, v6: bool) -> Holder:
        """Give the memberships of one interface and one family."""
        return self._holders.setdefault((index, v6), Holder(index, v6))

    def _leave_others(self, index: int, universes: set[int]) -> None:
        for v6 in (False, True):
            holder = self.holder_of(index, v6)
            for universe in [u for u in holder.groups if u not in universes]:
                holder.leave(universe)

    def _join_all(self, interface: Interface, universes: set[int]) -> dict[int, tuple[bool, str]]:
        outcomes: dict[int, tuple[bool, str]] = {}
        for universe in sorted(universes):
            try:
                self.holder_of(interface.index, False).join(universe)
                outcomes[universe] = (True, "")
            except OSError as error:
                sentence = join_error(error.errno or 0, universe, interface.name).lines[0]
                outcomes[universe] = (False, sentence)
            # Few houses use IPv6 and many computers have it off: a refusal there is not a fault.
            with contextlib.suppress(OSError):
                self.holder_of(interface.index, True).join(universe)
        return outcomes
