"""A pseudo terminal in place of a serial line."""

from __future__ import annotations

import os
import pty
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def line_of_its_own() -> Iterator[tuple[int, str]]:
    """The descriptor that a test reads what was sent from, and the path that the program opens."""
    master, slave = pty.openpty()
    name = os.ttyname(slave)
    os.close(slave)
    try:
        yield master, name
    finally:
        os.close(master)
