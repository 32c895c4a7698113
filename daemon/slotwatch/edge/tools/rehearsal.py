"""Plays a scenario to loopback in real time: the only part of a rehearsal that touches sockets and clocks.

It sends to 127.0.0.1 alone, from one address of 127.0.0.0/8 for each of the scenario's senders, and never
to a group: nothing that is rehearsed can leave this computer.
"""

from __future__ import annotations

import ipaddress
import socket
import time
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from slotwatch import clock
from slotwatch.errors import EdgeError
from slotwatch.rehearse.packets import ARTNET_PORT, E131_PORT, TERMINATED, Sent
from slotwatch.rehearse.stage import Item

AHEAD_NS = 100_000_000
"""Packets are composed this long before they are due, so that composing never makes them late."""
LATE_NS = 500_000_000
"""Later than this (the computer slept): the scenario's clock is moved instead of a burst being sent."""
MOST_STREAMS = 65_536
"""Streams that are remembered for their closing: all universes of one sender."""


def loopback_address(address: str) -> str:
    """Return the loopback address for a sender's: the first byte is replaced with 127."""
    if ipaddress.ip_address(address).version == 6:
        return "127.6.6." + str(ipaddress.ip_address(address).packed[-1] or 1)
    return "127." + address.split(".", 1)[1]


@dataclass(slots=True)
class Played:
    """What a rehearsal did."""

    packets: int = 0
    not_played: int = 0
    """Events other than packets (a link that goes down): a live rehearsal cannot make them."""
    latest_ns: int = 0
    """The longest that a packet was behind its time."""


@dataclass(slots=True)
class Player:
    """Sends what a scenario yields, each at its time.

    `stopped` may be set from a signal handler; then the streams that are still alive are closed properly.
    """

    e131_port: int = 15568
    artnet_port: int = 16454
    listener: str = "127.0.0.1"
    stopped: bool = False
    played: Played = field(default_factory=Played)
    _sockets: dict[str, socket.socket] = field(default_factory=dict)
    _last: dict[tuple[str, bytes], bytes] = field(default_factory=dict)

    def play(self, items: Iterable[Item]) -> Played:
        """Send until the scenario ends or `stopped` is set, then close the sockets."""
        try:
            self._play(iter(items))
            if self.stopped:
                self._terminate()
        finally:
            for each in self._sockets.values():
                each.close()
            self._sockets.clear()
        return self.played

    def _play(self, items: Iterator[Item]) -> None:
        ready: deque[Item] = deque()
        start_ns = clock.monotonic_ns() + AHEAD_NS
        ended = False
        while not self.stopped and (ready or not ended):
            ended = self._compose(items, ready, clock.monotonic_ns() - start_ns + AHEAD_NS)
            if not ready:
                continue
            behind_ns = clock.monotonic_ns() - start_ns - ready[0].t_ns
            if behind_ns < 0:
                time.sleep(min(-behind_ns, AHEAD_NS) / 1e9)
                continue
            if behind_ns > LATE_NS:
                start_ns += behind_ns
            self.played.latest_ns = max(self.played.latest_ns, behind_ns)
            self._send(ready.popleft())

    @staticmethod
    def _compose(items: Iterator[Item], ready: deque[Item], until_ns: int) -> bool:
        """Take items up to a time, and always at least one; True once there are no more."""
        while not ready or ready[-1].t_ns < until_ns:
            item = next(items, None)
            if item is None:
                return True
            ready.append(item)
        return False

    def _send(self, item: Item) -> None:
        if not isinstance(item, Sent):
            # What is seen at the very start is the state of things (links up, groups joined), no event.
            self.played.not_played += item.t_ns > 0
            return
        ports = {E131_PORT: self.e131_port, ARTNET_PORT: self.artnet_port}
        port = ports.get(item.dst_port, item.dst_port)
        self._socket(item.src).sendto(item.payload, (self.listener, port))
        self.played.packets += 1
        if _is_e131_data(item.payload) and len(self._last) < MOST_STREAMS:
            key = item.payload[22:38] + item.payload[113:115] + port.to_bytes(2, "big")
            self._last[(item.src, key)] = item.payload

    def _socket(self, address: str) -> socket.socket:
        found = self._sockets.get(address)
        if found is None:
            found = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            local = loopback_address(address)
            try:
                found.bind((local, 0))
            except OSError as error:
                found.close()
                raise EdgeError(
                    f"cannot send from {local} on loopback: {error.strerror}",
                    "bring the loopback interface up: ip link set lo up",
                    error.errno,
                ) from error
            self._sockets[address] = found
        return found

    def _terminate(self) -> None:
        """Close every live E1.31 stream with three terminated packets (6.2.6)."""
        for copy in range(1, 4):
            for (address, key), payload in self._last.items():
                if payload[112] & TERMINATED:
                    continue
                closing = bytearray(payload)
                closing[111] = payload[111] + copy & 0xFF
                closing[112] |= TERMINATED
                self._socket(address).sendto(closing, (self.listener, int.from_bytes(key[-2:], "big")))
            time.sleep(0.02)


def _is_e131_data(payload: bytes) -> bool:
    return len(payload) >= 126 and payload[18:22] == b"\0\0\0\x04" and payload[40:44] == b"\0\0\0\x02"
