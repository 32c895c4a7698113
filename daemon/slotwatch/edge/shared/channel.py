"""One end of a connection between two of this program's own processes: typed messages over SOCK_SEQPACKET.

The parent makes the pairs and keeps both ends open, so that a restarted process uses the pair of the one before it, and
the other side only sees a late answer. A message longer than a packet goes in parts: each packet is one byte with
the format, an 8-byte message number, one byte that is 1 on the last part, and MessagePack. A packet of another format
comes from another version of the program, after an upgrade without a restart. It is refused in one sentence, and so is
a message of an unknown kind or with other fields (`edge.shared.messages`).
"""

from __future__ import annotations

import itertools
import os
import socket
import struct
from typing import Generic, TypeVar

import msgspec

from slotwatch.edge.shared.messages import FORMAT, ProcessMessage
from slotwatch.errors import FormatError

PART_BYTES = 60_000
"""Well under the smallest send buffer of a socket pair (212,992 bytes)."""
MOST_PARTS = 4096
"""A message may be 240 MB; a longer one is a fault of this program."""
ADVICE = "restart slotwatch"
_HEAD = struct.Struct("<BQB")
_ENCODER = msgspec.msgpack.Encoder()

Sent = TypeVar("Sent", bound=ProcessMessage, contravariant=True)
Received = TypeVar("Received", bound=ProcessMessage, covariant=True)


def pair() -> tuple[socket.socket, socket.socket]:
    """Two connected ends, to be inherited by descriptor."""
    ends = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    for end in ends:
        end.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 1024 * 1024)
        end.setblocking(False)
    return ends


class Channel(Generic[Sent, Received]):
    """One end, for a loop of its own: `receive` takes what waits, `send` never blocks."""

    def __init__(self, fd: int, decoder: msgspec.msgpack.Decoder[Received]) -> None:
        """decoder: of the messages that the other end sends."""
        self._sock = socket.socket(fileno=fd)
        self._sock.setblocking(False)
        self._decoder = decoder
        self._numbers = itertools.count(int.from_bytes(os.urandom(4), "little") << 32)
        self._parts: dict[int, list[bytes]] = {}
        self._waiting: list[bytes] = []
        self.closed = False

    def fileno(self) -> int:
        return self._sock.fileno()

    def close(self) -> None:
        self._sock.close()

    def send(self, message: Sent) -> None:
        """Send, or keep what does not fit now until the next `send` or `flush`."""
        raw = _ENCODER.encode(message)
        number = next(self._numbers)
        parts = [raw[i : i + PART_BYTES] for i in range(0, len(raw), PART_BYTES)]
        for place, part in enumerate(parts):
            self._waiting.append(_HEAD.pack(FORMAT, number, place + 1 == len(parts)) + part)
        if len(self._waiting) > MOST_PARTS:
            del self._waiting[:-MOST_PARTS]  # nobody reads: the oldest message is out of date
        self.flush()

    def flush(self) -> bool:
        """Send what waits; True once nothing does."""
        while self._waiting:
            try:
                self._sock.send(self._waiting[0])
            except BlockingIOError:
                return False
            except OSError:
                self.closed = True
                self._waiting.clear()
                return True
            self._waiting.pop(0)
        return True

    def receive(self) -> list[Received]:
        """Return the messages that are whole. `closed` becomes true when the other side is gone.

        FormatError if a message is of another version of the program.
        """
        found: list[Received] = []
        while True:
            try:
                packet = self._sock.recv(PART_BYTES + _HEAD.size)
            except BlockingIOError:
                return found
            except OSError:
                packet = b""
            if not packet:
                self.closed = True
                return found
            form, number, last = _HEAD.unpack_from(packet)
            if form != FORMAT:
                raise FormatError(f"a message has format {form}, this program reads {FORMAT}", ADVICE)
            self._parts.setdefault(number, []).append(packet[_HEAD.size :])
            if last:
                found.append(self._decoded(b"".join(self._parts.pop(number))))
            elif len(self._parts) > 8:
                self._parts.pop(next(iter(self._parts)))  # its sender died between two parts

    def _decoded(self, raw: bytes) -> Received:
        try:
            return self._decoder.decode(raw)
        except msgspec.DecodeError as error:
            raise FormatError(f"a message cannot be read: {error}", ADVICE) from None
