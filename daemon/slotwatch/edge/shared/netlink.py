"""Reading the kernel's rtnetlink messages: just enough to watch links, addresses and neighbours.

Three kinds of message are read and two sent; a netlink library would be the larger part of intake's memory.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator

NLMSG_ERROR, NLMSG_DONE = 2, 3
NLM_F_REQUEST, NLM_F_DUMP = 1, 0x300
RTM_NEWLINK, RTM_DELLINK, RTM_GETLINK = 16, 17, 18
RTM_NEWADDR, RTM_DELADDR, RTM_GETADDR = 20, 21, 22
RTM_NEWNEIGH, RTM_DELNEIGH, RTM_GETNEIGH = 28, 29, 30
RTMGRP_LINK, RTMGRP_NEIGH, RTMGRP_IPV4_IFADDR, RTMGRP_IPV6_IFADDR = 1, 4, 0x10, 0x100
READ_BYTES = 65536
BUFFER_BYTES = 1024 * 1024


def open_netlink(groups: int) -> socket.socket:
    """A non-blocking rtnetlink socket that hears these groups. Needs no right."""
    sock = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW | socket.SOCK_NONBLOCK, socket.NETLINK_ROUTE)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
    sock.bind((0, groups))
    return sock


def request_dump(sock: socket.socket, kind: int) -> None:
    """Ask for everything of a kind (RTM_GET…). A second dump has to wait for the end of the first."""
    sock.send(struct.pack("=IHHIIB3x", 20, kind, NLM_F_REQUEST | NLM_F_DUMP, 1, 0, socket.AF_UNSPEC))


def messages(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Kind and body of each message in what one recv gave."""
    place = 0
    while place + 16 <= len(data):
        length, kind = struct.unpack_from("=IH", data, place)
        if length < 16:
            return
        yield kind, data[place + 16 : place + length]
        place += (length + 3) & ~3


def attributes(body: bytes, place: int) -> dict[int, bytes]:
    """The attributes of a message body from this place on."""
    found: dict[int, bytes] = {}
    while place + 4 <= len(body):
        length, kind = struct.unpack_from("=HH", body, place)
        if length < 4:
            break
        found[kind & 0x3FFF] = body[place + 4 : place + length]
        place += (length + 3) & ~3
    return found


def dump(kind: int) -> list[tuple[int, bytes]]:
    """Everything of a kind, at once, by a socket of its own."""
    found: list[tuple[int, bytes]] = []
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, socket.NETLINK_ROUTE) as sock:
        sock.settimeout(2.0)
        request_dump(sock, kind)
        while True:
            for what, body in messages(sock.recv(READ_BYTES)):
                if what in (NLMSG_DONE, NLMSG_ERROR):
                    return found
                found.append((what, body))
