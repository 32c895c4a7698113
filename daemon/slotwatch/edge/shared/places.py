"""Paths of a house's files: those beside the house file, and those in the state directory."""

from __future__ import annotations

import os
from pathlib import Path

from slotwatch.house.schema import House

SERVICE = Path("/var/lib/slotwatch")
"""State directory of the shipped unit."""


def read_place(house: House, name: str) -> Path:
    """A file that the house file names (token, certificate, password): relative to the house file."""
    return Path(house.file).parent / name


def state_place(house: House, name: str) -> Path:
    """A file that is kept: in the state directory that systemd gives, else relative to the house file."""
    state = os.environ.get("STATE_DIRECTORY", "").partition(":")[0]
    return Path(state) / name if state else Path(house.file).parent / name


def history_of(house: House) -> Path:
    """Where a house's history is: beside the house file or in the service's state directory.

    Where both have one, the one that was written last. Where neither has one, the place where `serve` would begin it.
    """
    own = state_place(house, house.history.path)
    found = [path for path in (own, SERVICE / house.history.path) if _is_readable(path)]
    return max(found, key=_written_ns, default=own)


def is_hidden(path: Path) -> bool:
    """Whether this user may not even see if a file is there: the service's directory is its own."""
    try:
        path.is_file()
    except PermissionError:
        return True
    return False


def _is_readable(path: Path) -> bool:
    return not is_hidden(path) and path.is_file()


def _written_ns(history: Path) -> int:
    """When a history was last written. New rows go to the log beside the file first."""
    log = history.with_name(history.name + "-wal")
    return max(path.stat().st_mtime_ns for path in (history, log) if path.exists())
