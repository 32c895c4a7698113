"""Which synchronization addresses live streams name: intake joins their groups."""

from __future__ import annotations

import numpy as np

from slotwatch.snapshot import Snapshot


def sync_groups(snapshot: Snapshot) -> dict[int, tuple[int, ...]]:
    """Addresses named on each network, rising."""
    streams = snapshot.streams
    named = np.flatnonzero((streams["sync_address"] != 0) & (streams["state"] == 0))
    groups: dict[int, tuple[int, ...]] = {}
    for network in np.unique(streams["network"][named]):
        here = named[streams["network"][named] == network]
        groups[int(network)] = tuple(np.unique(streams["sync_address"][here]).tolist())
    return groups
