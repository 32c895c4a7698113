"""One socket read by the compiled `receiving.c`, where it was built for this computer.

`udp_in` does the same in numpy and is the reference: tests/edge/intake/test_udp_in.py runs over both.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.edge.shared.compiled import Receiving
from slotwatch.edge.shared.ring import FAR_BYTES, GUARD_ROWS, NEAR_BYTES, Ring

_START, _ROOM, _OFFSET, _DRAINED, _MIXED = 7, 8, 9, 10, 12
"""Places in a call, as `struct call` of `receiving.c` has them."""


class CompiledReceiver:
    """Reads packets of one socket into rows of a ring, with every column but the network."""

    def __init__(
        self, compiled: Receiving, arrays: tuple[int, int, int, int], fd: int, protocol: int, v6: bool
    ) -> None:
        """arrays: addresses of the headers, the parts of payloads, senders and control data that recvmmsg fills."""
        self._compiled = compiled
        self._interfaces = np.zeros(GUARD_ROWS, np.uint32)
        call = (*arrays, fd, protocol, int(v6), 0, 0, 0, 0, self._interfaces.ctypes.data, 0)
        self._call = np.array(call, np.int64)
        self._words = self._call.data  # one word by a memoryview costs a tenth of one by numpy
        self._call_address = self._call.ctypes.data
        self._ring: Ring | None = None
        self._columns: NDArray[np.int64] = np.zeros(0, np.int64)
        self._columns_address = 0

    def receive(self, ring: Ring, start: int, room: int, wall_offset_ns: int, drained_ns: int) -> int:
        """Read at most `room` packets into the rows from `start` on. Returns how many, or minus the error's number.

        wall_offset_ns: wall clock minus monotonic clock.   drained_ns: when the socket was last empty.
        """
        words = self._words
        words[_START], words[_ROOM], words[_OFFSET], words[_DRAINED] = start, room, wall_offset_ns, drained_ns
        return self._compiled.receive(self.columns_of(ring), self._call_address)

    def prepare(self, wall_offset_ns: int, drained_ns: int) -> int:
        """Say what `receive` is told, for a read by other compiled code; returns the address of the call."""
        self._words[_OFFSET], self._words[_DRAINED] = wall_offset_ns, drained_ns
        return self._call_address

    @property
    def drained_ns(self) -> int:
        """When the socket was last empty, as compiled code left it."""
        return self._words[_DRAINED]

    def interfaces(self, count: int) -> NDArray[np.uint32]:
        """Arrival interface of each packet read last, 0 where it is unknown; of the first alone if all are alike."""
        return self._interfaces[: count if self._words[_MIXED] else 1]

    def columns_of(self, ring: Ring) -> int:
        """Address of the description of a ring's columns."""
        if ring is not self._ring:
            packets = ring.packets
            names = ("t_ns", "length", "network", "src_port", "protocol", "flags", "src", "dst")
            addresses = [getattr(packets, name).ctypes.data for name in names]
            self._columns = np.array([*ring.addresses, NEAR_BYTES, FAR_BYTES, *addresses], np.int64)
            self._columns_address = self._columns.ctypes.data
            self._ring = ring
        return self._columns_address
