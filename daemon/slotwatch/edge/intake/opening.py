"""Opening the socket of one port: what it asks of the kernel, and what a person can do where the kernel refuses."""

from __future__ import annotations

import errno
import socket

from slotwatch.edge.shared.ports import holder_sentence
from slotwatch.errors import EdgeError
from slotwatch.wire.universe import Protocol

WANTED_BUFFER_BYTES = 64 * 1024 * 1024
"""Half a second of a full gigabit at the kernel's own accounting (about 1,280 bytes for a full packet)."""
KERNEL_BYTES_PER_PACKET = 1280
"""What the kernel charges a 638-byte datagram against the buffer (212,992 bytes held 166: measured)."""

SO_TIMESTAMPNS = 35
IP_PKTINFO = 8
SO_RCVBUFFORCE = 33
IPV6_RECVPKTINFO = 49
"""Linux's numbers, for the names that the socket module does not have yet."""


def open_port(protocol: Protocol, port: int, v6: bool) -> socket.socket:
    """Open and bind the socket of one port and family. EdgeError with advice if that cannot be."""
    sock = socket.socket(socket.AF_INET6 if v6 else socket.AF_INET, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
    try:
        sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        if v6:
            sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            sock.setsockopt(socket.IPPROTO_IPV6, IPV6_RECVPKTINFO, 1)
        else:
            sock.setsockopt(socket.IPPROTO_IP, IP_PKTINFO, 1)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        # No address reuse on purpose: with it, the program that binds last silently takes all unicast.
        sock.bind(("::" if v6 else "0.0.0.0", port))
    except OSError as error:
        sock.close()
        raise _bind_error(error, protocol, port) from None
    return sock


def _bind_error(error: OSError, protocol: Protocol, port: int) -> EdgeError:
    if error.errno == errno.EADDRINUSE:
        return EdgeError(
            f"UDP port {port} ({protocol.word}) is taken{holder_sentence('udp', port)}",
            "end that program, or give one of the two another port or computer",
            error.errno,
        )
    if error.errno in (errno.EACCES, errno.EPERM):
        return EdgeError(
            f"no right to listen on UDP port {port}",
            "use a port above 1023, or run it by the systemd unit with AmbientCapabilities=CAP_NET_BIND_SERVICE",
            error.errno,
        )
    return EdgeError(f"cannot listen on UDP port {port}: {error.strerror}", "look at `ip -brief address`", error.errno)


def widen(sock: socket.socket) -> int:
    """Ask for a large receive buffer; return what the kernel granted, in bytes of its own accounting."""
    try:
        sock.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, WANTED_BUFFER_BYTES // 2)
    except OSError:
        # Without CAP_NET_ADMIN the kernel caps it silently at net.core.rmem_max.
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, WANTED_BUFFER_BYTES // 2)
    return sock.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
