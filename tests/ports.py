"""Ports for tests: free ones, where nobody who takes just any port comes in between, nor another process of tests."""

from __future__ import annotations

import fcntl
import functools
import os
import random
import socket
import tempfile
from collections import deque
from pathlib import Path

BELOW_EPHEMERAL = range(20_000, 32_768)
"""Linux gives who asks for any port one from 32768 on (ip(7), ip_local_port_range). A port from there that a test has
let go of, to have the program under test open it, may by then be the source of somebody's connection."""
MOST_KEPT = 300
"""The last ports that a process of tests chose; it keeps them for itself. With thirty such processes some are left."""
_chosen = random.Random()
_kept: deque[int] = deque()


def free_port(kind: socket.SocketKind = socket.SOCK_DGRAM) -> int:
    """A port that nobody holds at any address, and that no other process of tests of this user was given."""
    while True:
        port = _chosen.choice(BELOW_EPHEMERAL)
        if port in _kept or not _keep(port):
            continue
        with socket.socket(socket.AF_INET, kind) as probe:
            try:
                probe.bind(("", port))
            except OSError:
                _let_go(port)
                continue
        _kept.append(port)
        if len(_kept) > MOST_KEPT:
            _let_go(_kept.popleft())
        return port


@functools.cache
def _claims() -> int:
    """A file of which each process of tests locks the octet with the number of a port; it holds nothing."""
    path = Path(tempfile.gettempdir()) / f"slotwatch-test-ports-{os.getuid()}"
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)


def _keep(port: int) -> bool:
    try:
        # A lock of the process (fcntl(2), F_SETLK): it ends with it, however it ends, and no child inherits it.
        fcntl.lockf(_claims(), fcntl.LOCK_EX | fcntl.LOCK_NB, 1, port)
    except OSError:
        return False
    return True


def _let_go(port: int) -> None:
    fcntl.lockf(_claims(), fcntl.LOCK_UN, 1, port)


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
