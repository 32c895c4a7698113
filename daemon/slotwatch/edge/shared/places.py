"""Where files of a house stand: what it reads beside the house file, what it keeps in the state directory."""

from __future__ import annotations

import os
from pathlib import Path

from slotwatch.house.schema import House


def read_place(house: House, name: str) -> Path:
    """A file that the house file names (token, certificate, password): relative to the house file."""
    return Path(house.file).parent / name


def state_place(house: House, name: str) -> Path:
    """A file that is kept: in the state directory that systemd gives, else relative to the house file."""
    state = os.environ.get("STATE_DIRECTORY", "").partition(":")[0]
    return Path(state) / name if state else Path(house.file).parent / name
