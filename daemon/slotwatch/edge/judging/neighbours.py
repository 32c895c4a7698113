"""The kernel's neighbour table (ARP, NDP): which devices of the house answer. It needs no privileges."""

from __future__ import annotations

import errno
import ipaddress
import socket
import struct
from collections.abc import Set

from slotwatch import clock
from slotwatch.edge.shared import netlink
from slotwatch.edge.shared.interfaces import InterfaceWatch
from slotwatch.house.schema import House
from slotwatch.wire.observation import NeighbourSeen

NUD_REACHABLE, NUD_STALE, NUD_DELAY, NUD_PROBE, NUD_FAILED, NUD_PERMANENT = 0x02, 0x04, 0x08, 0x10, 0x20, 0x80
NDA_DST, NDA_LLADDR, NDA_CACHEINFO = 1, 2, 3
TICK_NS = 10_000_000
"""Times of the table are in clock ticks for users: 1/100 s on every processor that Debian supports (USER_HZ)."""
ANSWERED = NUD_REACHABLE | NUD_PERMANENT
KNOWN = ANSWERED | NUD_STALE | NUD_DELAY | NUD_PROBE
REFRESH_NS = 30_000_000_000
"""The whole table is read this often, since an entry that stays reachable causes no message."""
MOST_NEIGHBOURS = 4096
"""Rows reported per reading: a scan of the network can fill the kernel's table."""


class NeighbourWatch:
    """Follows the neighbour table on the networks of a house."""

    def __init__(self, house: House) -> None:
        self._sock = netlink.open_netlink(netlink.RTMGRP_NEIGH)
        self._interfaces = InterfaceWatch(house)
        self._read_ns = 0

    def fds(self) -> list[int]:
        return [self._sock.fileno(), self._interfaces.fd]

    def close(self) -> None:
        self._sock.close()
        self._interfaces.close()

    def take_house(self, house: House) -> None:
        self._interfaces.take_house(house)
        self._read_ns = 0

    def read(self, ready: Set[int], now_ns: int) -> list[NeighbourSeen]:
        """What is new; everything every 30 s."""
        if self._interfaces.fd in ready and self._interfaces.read():
            self._read_ns = 0
        found: list[NeighbourSeen] = []
        if self._sock.fileno() in ready:
            found = self._changed(now_ns)
        if not self._read_ns or now_ns - self._read_ns > REFRESH_NS:
            self._read_ns = now_ns
            found = self._seen(netlink.dump(netlink.RTM_GETNEIGH), now_ns)
        return found

    def _changed(self, now_ns: int) -> list[NeighbourSeen]:
        found: list[tuple[int, bytes]] = []
        while True:
            try:
                found += netlink.messages(self._sock.recv(netlink.READ_BYTES))
            except BlockingIOError:
                break
            except OSError as error:
                if error.errno != errno.ENOBUFS:
                    raise
                self._read_ns = 0  # a message was lost: read the whole table
        return self._seen(found, now_ns)

    def _seen(self, rows: list[tuple[int, bytes]], now_ns: int) -> list[NeighbourSeen]:
        networks = self._interfaces.networks_by_index()
        found = []
        for kind, body in rows[-MOST_NEIGHBOURS:]:
            seen = neighbour(kind, body, networks, now_ns)
            if seen is not None:
                found.append(seen)
        return found


def neighbour(kind: int, body: bytes, networks: dict[int, int], now_ns: int) -> NeighbourSeen | None:
    """One message of the neighbour table; None if it is of no network of the house, of a group, or says nothing.

    An entry that goes away, or is being asked for, says nothing. One that is kept and was not used lately (stale) is
    not silent: it was not asked.
    """
    if kind != netlink.RTM_NEWNEIGH or len(body) < 12:
        return None
    family, index, state = struct.unpack_from("=B3xiH", body)
    if family not in (socket.AF_INET, socket.AF_INET6) or index not in networks:
        return None
    found = netlink.attributes(body, 12)
    raw = found.get(NDA_DST, b"")
    if len(raw) not in (4, 16):
        return None
    address = ipaddress.ip_address(raw)
    if address.is_multicast:
        return None
    if not state & (KNOWN | NUD_FAILED):
        return None
    mac = found.get(NDA_LLADDR, b"").hex(":") if state & KNOWN else ""
    answered_ns, times = 0, found.get(NDA_CACHEINFO, b"")
    if mac and len(times) >= 4 and not state & NUD_PERMANENT:
        # rtnetlink(7), struct nda_cacheinfo: ndm_confirmed first.
        answered_ns = max(1, now_ns - struct.unpack_from("=I", times)[0] * TICK_NS)
    return NeighbourSeen(now_ns, networks[index], str(address), mac, bool(state & ANSWERED), answered_ns)


def now() -> list[NeighbourSeen]:
    """Every neighbour on every interface now, with the interface's index as its network (`host`)."""
    rows = netlink.dump(netlink.RTM_GETNEIGH)
    everywhere = {struct.unpack_from("=i", body, 4)[0]: struct.unpack_from("=i", body, 4)[0] for _, body in rows}
    seen = [neighbour(kind, body, everywhere, clock.monotonic_ns()) for kind, body in rows]
    return [one for one in seen if one is not None]
