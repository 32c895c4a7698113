"""Reading sockets while their packets gather.

At a full gigabit 2,400 packets gather for a turn of intake. By then they have left the processor's second cache, and
the kernel takes longer to hand them over than 700 of them. `receiving.c` therefore rests and reads some times within a
turn, and does of a turn what packets need: it names the networks that are known, makes rows visible, and begins the
ring anew. All else waits for the turn.

Without compiled code packets only gather: a read by Python costs more than it saves.
"""

from __future__ import annotations

import time

import numpy as np

from slotwatch.edge.intake.receiver import CompiledReceiver
from slotwatch.edge.intake.udp_in import ArrivalClock, DataSocket, Networks
from slotwatch.edge.shared.compiled import Receiving
from slotwatch.edge.shared.ring import GUARD_ROWS, READERS_AT, RingWriter

SLICE_PACKETS = 700
"""So many are let gather between two reads."""
MOST_KNOWN = 16
"""Interfaces of which compiled code is told the network; more are seldom, and are named by the turn."""
_WORDS = 15 + 2 * MOST_KNOWN
_KNOWN, _WIDEST, _AT, _UNNAMED, _ERROR = 9, -4, -3, -2, -1
"""Places of `struct gathering`."""


class Gathering:
    """What compiled code needs to read some sockets into one ring."""

    def __init__(
        self, compiled: Receiving | None, writer: RingWriter, arrivals: ArrivalClock, networks: Networks, most: int
    ) -> None:
        """most: packets that are read from one socket before the others have their turn."""
        self._compiled, self._writer, self._arrivals, self._networks = compiled, writer, arrivals, networks
        self._words = np.zeros(_WORDS, np.int64)
        self._words[2:4] = writer.ring.rows, GUARD_ROWS
        self._words[6] = most
        self._words[0] = writer.ring.header_address

    def pause(self, sockets: list[DataSocket], pause_s: float, rate_hz: float, *, may_rewind: bool) -> int:
        """Rest so long. At a high rate read these sockets meanwhile; returns how many rows that gave.

        may_rewind: whether the ring may begin anew where judging has taken all rows.
        """
        read = [(sock, sock.receiver) for sock in sockets if sock.receiver is not None]
        times = max(1, round(pause_s * rate_hz / SLICE_PACKETS)) if read else 1
        count = 0
        if self._compiled is not None and times > 1:
            count = self._read(self._compiled, read, pause_s / times, times - 1, may_rewind=may_rewind)
            pause_s /= times
        if pause_s > 0:
            time.sleep(pause_s)
        return count

    def _read(
        self,
        compiled: Receiving,
        read: list[tuple[DataSocket, CompiledReceiver]],
        pause_s: float,
        times: int,
        *,
        may_rewind: bool,
    ) -> int:
        """Rest and empty the sockets, so many times or until something is odd. Returns the rows written."""
        words, writer, arrivals = self._words, self._writer, self._arrivals
        arrivals.turn()
        calls = np.array([r.prepare(arrivals.wall_offset_ns, s.drained_ns) for s, r in read], np.int64)
        words[1] = words[0] + READERS_AT if may_rewind else 0
        words[4:6] = calls.ctypes.data, len(calls)
        words[7:9] = times, int(pause_s * 1e9)
        known = list(self._networks.known.items())[:MOST_KNOWN]
        words[_KNOWN] = len(known)
        for place, (interface, network) in enumerate(known, _KNOWN + 1):
            words[place], words[place + MOST_KNOWN] = interface, network
        count = compiled.gather(read[0][1].columns_of(writer.ring), words.ctypes.data)
        writer.take_over(int(words[_WIDEST]))
        for sock, receiver in read:
            sock.drained_ns = receiver.drained_ns
        if words[_AT] >= 0:
            sock, receiver = read[int(words[_AT])]
            self._look_after(sock, receiver, int(words[_UNNAMED]), int(words[_ERROR]))
        return count

    def _look_after(self, sock: DataSocket, receiver: CompiledReceiver, unnamed: int, error: int) -> None:
        """Name rows of an interface that compiled code did not know, or take its error."""
        if error:
            sock.none(error)
        if unnamed:
            start, _ = self._writer.place()
            rows = slice(start, start + unnamed)
            self._writer.ring.packets.network[rows] = self._networks.of(receiver.interfaces(unnamed))
            self._writer.publish(unnamed)
