"""Datagrams that leave in one call: sendmmsg over packets whose memory stays where it is.

A header is made once for each packet and destination; sending a batch is one copy of 64 bytes a packet and one call.
"""

from __future__ import annotations

import ctypes
import errno
import socket
import struct

MSG_DONTWAIT = 0x40
HEADER = struct.Struct("<QI4xQQQQi4xI4x")
"""struct mmsghdr of a 64-bit Linux: name, its length, iovec, how many, control data, its length, flags, bytes sent."""

_sendmmsg = ctypes.PyDLL(None, use_errno=True).sendmmsg
_sendmmsg.argtypes = (ctypes.c_int, ctypes.c_void_p, ctypes.c_uint, ctypes.c_int)


class Outbox:
    """The batches of one socket. Packets must not change their size."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock
        self.is_held = False
        """Whether nothing may leave, because the interface that it is to leave by does not exist."""
        self._kept: list[object] = []
        """What headers point to."""

    def header(self, packet: bytearray, destination: tuple[str, int]) -> bytes:
        """Make the header of a packet that may be patched in place between two sendings."""
        raw = (ctypes.c_char * len(packet)).from_buffer(packet)
        name = ctypes.create_string_buffer(_socket_address(self._sock.family, destination))
        part = ctypes.create_string_buffer(struct.pack("<QQ", ctypes.addressof(raw), len(packet)))
        self._kept += [raw, name, part]
        length = len(name) - 1  # create_string_buffer adds a NUL
        return HEADER.pack(ctypes.addressof(name), length, ctypes.addressof(part), 1, 0, 0, 0, 0)

    def send(self, headers: list[bytes]) -> tuple[int, list[int]]:
        """Send packets in their order. Returns how many left, and the error number of each that was refused."""
        if self.is_held:
            return 0, [errno.ENODEV] * len(headers)
        batch = b"".join(headers)
        memory = ctypes.create_string_buffer(batch, len(batch))
        start, count, at, refused = ctypes.addressof(memory), len(headers), 0, []
        while at < count:
            done = int(_sendmmsg(self._sock.fileno(), start + HEADER.size * at, count - at, MSG_DONTWAIT))
            if done > 0:
                at += done
            else:
                refused.append(ctypes.get_errno())
                at += 1
        return count - len(refused), refused


def _socket_address(family: int, destination: tuple[str, int]) -> bytes:
    address, port = destination
    if family == socket.AF_INET6:
        head = struct.pack("=H", socket.AF_INET6) + struct.pack(">HI", port, 0)
        return head + socket.inet_pton(socket.AF_INET6, address) + bytes(4)
    return struct.pack("=H", socket.AF_INET) + struct.pack(">H", port) + socket.inet_aton(address) + bytes(8)
