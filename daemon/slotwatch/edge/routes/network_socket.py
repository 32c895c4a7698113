"""A socket that sends on one network: it follows the network's interface when that goes away and comes back."""

from __future__ import annotations

import os
import socket
import struct

from slotwatch.edge.routes.outbox import Outbox
from slotwatch.edge.shared.interfaces import read_interfaces

EXPEDITED_FORWARDING = 0xB8
"""DSCP 46: show data before bulk traffic, where switches look at it (common practice, no source)."""


class NetworkSocket:
    """An IPv4 socket bound to an interface, or an unbound one (IPv6, or a house that names no interface)."""

    def __init__(self, interface: str, *, v6: bool, broadcast: bool) -> None:
        """interface: its name or one of its addresses; empty: the kernel's choice."""
        self.sock = _datagrams(v6=v6)
        self.box = Outbox(self.sock)
        self._interface = "" if v6 else interface
        self._is_broadcast = broadcast
        self._index = -1
        self.follow()

    def follow(self) -> None:
        """Bind to the interface as it is now. While it does not exist, nothing is sent: it would leave elsewhere.

        An interface that was removed and made again has another index, and a bound socket keeps the old one.
        """
        if not self._interface:
            return
        index, name = _find(self._interface)
        if index == self._index:
            return
        self._index = index if index and self._bind(index, name) else 0
        self.box.is_held = self._index == 0

    def _bind(self, index: int, name: str) -> bool:
        """Replace the socket by one that is bound to an interface; return whether that could be done.

        Only a fresh one can be bound without the right CAP_NET_RAW, and its number stays: headers are made for it.
        """
        with _datagrams(v6=False) as fresh:
            try:
                fresh.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, EXPEDITED_FORWARDING)
                request = struct.pack("=4s4si", bytes(4), bytes(4), index)
                fresh.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, request)
                if self._is_broadcast:
                    # The limited broadcast has no route of its own: it leaves by the network that the house names.
                    fresh.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, name.encode())
            except OSError:
                return False  # it went away meanwhile
            os.dup2(fresh.fileno(), self.sock.fileno(), inheritable=False)
            return True


def _datagrams(*, v6: bool) -> socket.socket:
    made = socket.socket(socket.AF_INET6 if v6 else socket.AF_INET, socket.SOCK_DGRAM)
    made.setblocking(False)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
    return made


def _find(interface: str) -> tuple[int, str]:
    """Index and name of an interface that is declared by its name or an address; 0 where there is none."""
    try:
        return socket.if_nametoindex(interface), interface
    except OSError:
        found = read_interfaces().find(interface)
        return (found.index, found.name) if found else (0, "")
