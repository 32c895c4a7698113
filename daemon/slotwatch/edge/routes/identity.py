"""The bridge's own CID: the same at each start of the same house on the same computer (E1.31-2018 5.6)."""

from __future__ import annotations

import socket
import uuid
from pathlib import Path

_NAMESPACE = uuid.UUID("8f0c6a52-6d0e-5b43-9d1a-3c5f0a7e2b11")
"""Drawn once for this program; it only has to differ from other namespaces."""


def bridge_cid(house_file: str) -> uuid.UUID:
    """Make the CID from the computer's own identity and the house file's place, so that two houses on one
    computer (a rehearsal beside the real one) are two sources."""
    try:
        computer = Path("/etc/machine-id").read_text().strip()
    except OSError:
        computer = ""
    return uuid.uuid5(_NAMESPACE, f"{computer or socket.gethostname()} {Path(house_file).absolute()}")
