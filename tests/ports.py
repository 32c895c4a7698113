"""Ports for tests: free ones, where nobody who takes just any port comes in between."""

from __future__ import annotations

import random
import socket

BELOW_EPHEMERAL = range(20_000, 32_768)
"""Linux gives who asks for any port one from 32768 on (ip(7), ip_local_port_range). A port from there that a test has
let go of, to have the program under test open it, may by then be the source of somebody's connection."""
_chosen = random.Random()


def free_port(kind: socket.SocketKind = socket.SOCK_DGRAM) -> int:
    """A port that nobody holds at any address."""
    while True:
        port = _chosen.choice(BELOW_EPHEMERAL)
        with socket.socket(socket.AF_INET, kind) as probe:
            try:
                probe.bind(("", port))
            except OSError:
                continue
        return port


def is_free(kind: socket.SocketKind, port: int) -> bool:
    """Whether a program could open this port now."""
    with socket.socket(socket.AF_INET, kind) as sock:
        if kind is socket.SOCK_STREAM:
            # As servers do: connections that linger (TIME_WAIT) are not somebody who holds the port.
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind(("0.0.0.0" if kind is socket.SOCK_DGRAM else "127.0.0.1", port))
        except OSError:
            return False
        return True
