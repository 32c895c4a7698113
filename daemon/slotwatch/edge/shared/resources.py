"""What all processes of one daemon share: memory, channels, the bell. Made by the parent, passed by descriptor."""

from __future__ import annotations

import os

from slotwatch.edge.shared import housing, memory
from slotwatch.edge.shared.channel import pair

Descriptors = dict[str, int | list[int]]
"""What a process is given, by name: descriptors, one or several."""


class SharedResources:
    """Ring, snapshot buffer, the running house, two ends for each channel, the bell that intake rings for routes, and
    the page's certificate for a page that is restarted."""

    def __init__(self, ring_rows: int) -> None:
        self.rows = ring_rows
        self.house = housing.create_memory()
        self._memory = memory.make(ring_rows)
        self._pairs = {name: pair() for name in ("observations", "requests", "reports")}
        self._certificate = os.memfd_create("slotwatch-certificate", os.MFD_CLOEXEC)
        self._bell = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self.progress = memory.Progress(self._memory["ring"], self._memory["snapshots"])

    def descriptors(self, role: str) -> Descriptors:
        """What a process of this role is given, by the name it knows it by."""
        observations, requests, reports = (self._pairs[n] for n in ("observations", "requests", "reports"))
        ring: Descriptors = {"ring": self._memory["ring"]}
        snapshots: Descriptors = {"snapshots": self._memory["snapshots"]}
        own: dict[str, Descriptors] = {
            "load": {},
            "intake": {**ring, "observations": observations[0].fileno(), "bells": [self._bell]},
            "judging": {
                **ring,
                **snapshots,
                "observations": observations[1].fileno(),
                "requests": requests[1].fileno(),
                "reports": reports[1].fileno(),
            },
            "front": {**snapshots, "requests": requests[0].fileno(), "certificate": self._certificate},
            "routes": {**ring, "reports": reports[0].fileno(), "bell": self._bell},
        }
        return {"house": self.house, **own[role]}

    def close(self) -> None:
        for end in (end for ends in self._pairs.values() for end in ends):
            end.close()
        self.progress.close()
        for fd in (*self._memory.values(), self.house, self._certificate, self._bell):
            os.close(fd)
