"""Receiving: recvmmsg straight into the ring's rows, and every column filled in array form.

Theory of operation. One socket is bound to each port and family; it hears every group that any socket of this
host has joined (IP_MULTICAST_ALL), so `edge.intake.joins` can hold memberships elsewhere. A call of recvmmsg is given
the addresses of the next free rows of the ring, so a payload is copied once, by the kernel. Addresses, arrival
interface, destination and arrival time come as control data of fixed layout and are read as columns. Where it was
built, `receiving.c` does all of this (`receiver`); numpy is the reference.

recvmmsg is reached through PyDLL: the call never blocks, and giving the interpreter lock away and back costs
more than the call (measured: beside one busy Python thread a receiver kept 9 % of its packets with CDLL).
"""

from __future__ import annotations

import ctypes
import errno
import os
import socket
import struct
import sys
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from slotwatch import clock
from slotwatch.edge.intake.opening import IP_PKTINFO, KERNEL_BYTES_PER_PACKET, SO_TIMESTAMPNS, open_port, widen
from slotwatch.edge.intake.receiver import CompiledReceiver
from slotwatch.edge.shared.compiled import Receiving
from slotwatch.edge.shared.ring import FAR_BYTES, GUARD_ROWS, NEAR_BYTES, RingWriter
from slotwatch.errors import EdgeError
from slotwatch.wire.batch import FLAG_TRUNCATED, NETWORK_UNKNOWN, Batch
from slotwatch.wire.universe import Protocol

FEWEST_ROWS = 64
"""Rows offered to the kernel in one call while little arrives: preparing them costs, too."""

FEW_ROWS = 16
"""Up to this many packets are taken row by row: columns cost 25 us, however few rows they have, and after a pause of
20 ms, with cold caches, five times that; a row costs 3 us."""

SO_MEMINFO = 55
MEMINFO_DROPS = 8
MSG_TRUNC, MSG_DONTWAIT = 0x20, 0x40
IPV6_PKTINFO = 50
"""Linux's numbers, for the names that the socket module does not have yet."""

NAME_BYTES = 32
CONTROL_BYTES = 96
"""Time stamp 32 bytes and packet info 32 (IPv4) or 40 (IPv6), with room for a drop count (24)."""
_MAPPED = bytes(10) + b"\xff\xff"
MAPPED_PREFIX = 0xFFFF0000
"""Bytes 8 to 11 of ::ffff:a.b.c.d as the low half of a little-endian word."""

_MSGHDR = np.dtype(
    [
        ("name", np.uintp),
        ("namelen", np.uint32),
        ("iov", np.uintp),
        ("iovlen", np.uintp),
        ("control", np.uintp),
        ("controllen", np.uintp),
        ("flags", np.int32),
    ],
    align=True,
)
_MMSGHDR = np.dtype([("hdr", _MSGHDR), ("len", np.uint32)], align=True)
_IOVEC = np.dtype([("base", np.uintp), ("len", np.uintp)])

_recvmmsg = ctypes.PyDLL(None, use_errno=True).recvmmsg
_recvmmsg.argtypes = (ctypes.c_int, ctypes.c_void_p, ctypes.c_uint, ctypes.c_int, ctypes.c_void_p)


def _kind(level: int, kind: int) -> int:
    """Level and type of a control message as the one little-endian word that holds them."""
    return level | kind << 32


_STAMP = _kind(socket.SOL_SOCKET, SO_TIMESTAMPNS)
_INFO4 = _kind(socket.IPPROTO_IP, IP_PKTINFO)
_INFO6 = _kind(socket.IPPROTO_IPV6, IPV6_PKTINFO)


@dataclass(slots=True)
class ArrivalClock:
    """Turns kernel stamps (wall clock) into monotonic time: one offset a turn, and bounds that always hold.

    Every socket was empty when its last drain ended, so what is read now arrived after that and before now.
    A wall clock that steps between stamp and reading can therefore misdate a packet by no more than one turn.
    """

    wall_offset_ns: int = 0
    now_ns: int = 0

    def turn(self) -> None:
        """Read the clocks. Call before the sockets are drained."""
        self.wall_offset_ns = clock.wall_offset_ns()

    def monotonic(self, stamps_ns: NDArray[np.int64], drained_ns: int) -> NDArray[np.int64]:
        """Monotonic arrival of each stamp; `drained_ns` is when its socket was last empty."""
        # np.clip costs 20 us a call, which is much for the few packets of an ordinary house.
        arrived_ns: NDArray[np.int64] = np.maximum(stamps_ns - self.wall_offset_ns, drained_ns)
        return np.minimum(arrived_ns, clock.monotonic_ns(), out=arrived_ns)


class DataSocket:
    """One bound port of one family. Not shared: no other program can bind the port and take its unicast."""

    def __init__(self, protocol: Protocol, port: int, v6: bool = False, compiled: Receiving | None = None) -> None:
        """EdgeError with advice if the port is taken or the address family is missing. compiled: reads it if given."""
        if sys.byteorder != "little" or struct.calcsize("P") != 8:
            raise EdgeError("this computer is not a 64-bit little-endian one", "use x86-64 or aarch64")
        self.protocol, self.port, self.v6 = protocol, port, v6
        self.drained_ns = clock.monotonic_ns()
        self._sock = open_port(protocol, port, v6)
        self.fd = self._sock.fileno()
        self.buffer_bytes = widen(self._sock)
        self._room = FEWEST_ROWS
        self._names = np.zeros((GUARD_ROWS, NAME_BYTES), np.uint8)
        self._control = np.zeros((GUARD_ROWS, CONTROL_BYTES), np.uint8)
        # Each packet goes into two planes of the ring, the second of which few reach.
        self._iov = np.zeros((GUARD_ROWS, 2), _IOVEC)
        self._iov["len"] = NEAR_BYTES, FAR_BYTES
        self._headers = np.zeros(GUARD_ROWS, _MMSGHDR)
        each = np.arange(GUARD_ROWS, dtype=np.uint64)
        self._rows = each[:, None] * np.array([NEAR_BYTES, FAR_BYTES], np.uint64)
        header = self._headers["hdr"]
        header["name"] = self._names.ctypes.data + each * NAME_BYTES
        header["iov"] = self._iov.ctypes.data + each * (2 * _IOVEC.itemsize)
        header["iovlen"] = 2
        header["control"] = self._control.ctypes.data + each * CONTROL_BYTES
        self._header_address = self._headers.ctypes.data
        # Views, made once: slicing a structured array costs as much as the arithmetic on it.
        self._name_lengths, self._control_lengths = header["namelen"], header["controllen"]
        self._flags, self._lengths, self._bases = header["flags"], self._headers["len"], self._iov["base"]
        self._words = self._control.view("<u8")
        self._flat_words = self._control.reshape(-1).data.cast("Q")
        self._flat_names = self._names.reshape(-1).data
        self._names32, self._names64 = self._names.view("<u4"), self._names.view("<u8")
        self._ports = self._names.view(">u2")[:, 1]
        self._name_lengths[:] = NAME_BYTES
        self._control_lengths[:] = CONTROL_BYTES
        self._compiled: CompiledReceiver | None = None
        if compiled is not None:
            parts, names, control = (one.ctypes.data for one in (self._iov, self._names, self._control))
            arrays = self._header_address, parts, names, control
            self._compiled = CompiledReceiver(compiled, arrays, self.fd, int(protocol), v6)

    @property
    def receiver(self) -> CompiledReceiver | None:
        """What reads it, where that is compiled code."""
        return self._compiled

    def close(self) -> None:
        self._sock.close()

    def drops(self) -> int:
        """Packets that this socket's buffer could not hold or whose checksum was wrong, since it was made."""
        info = self._sock.getsockopt(socket.SOL_SOCKET, SO_MEMINFO, 36)
        return int(struct.unpack_from("=9I", info)[MEMINFO_DROPS])

    def holds_packets(self) -> int:
        """Full packets that fit into the granted buffer."""
        return self.buffer_bytes // KERNEL_BYTES_PER_PACKET

    def drain(self, writer: RingWriter, arrivals: ArrivalClock, networks: Networks, most: int) -> int:
        """Read what waits, at most about `most` packets, into the ring. Returns how many."""
        taken = 0
        while taken < most:
            start, free = writer.place()
            room = min(free, self._room)
            began_ns = clock.monotonic_ns()
            if self._compiled is not None:
                count = self._receive_compiled(self._compiled, writer, start, room, arrivals, networks)
            else:
                count = self._receive(writer.ring.addresses, start, room)
                if count and (count > FEW_ROWS or not self._fill_few(writer, start, count, arrivals, networks)):
                    self._fill(writer, start, count, arrivals, networks)
            if count:
                writer.publish(count)
                taken += count
            if count < room:
                self.drained_ns = began_ns
                self._room = max(FEWEST_ROWS, min(GUARD_ROWS, 2 * taken))
                break
            self._room = GUARD_ROWS
        return taken

    def _receive_compiled(
        self,
        compiled: CompiledReceiver,
        writer: RingWriter,
        start: int,
        room: int,
        arrivals: ArrivalClock,
        networks: Networks,
    ) -> int:
        """Read and fill rows; returns how many."""
        count = compiled.receive(writer.ring, start, room, arrivals.wall_offset_ns, self.drained_ns)
        if count <= 0:
            return self.none(-count)
        writer.ring.packets.network[start : start + count] = networks.of(compiled.interfaces(count))
        return count

    def _receive(self, planes: tuple[int, int], start: int, room: int) -> int:
        near, far = planes
        first = np.array([near + start * NEAR_BYTES, far + start * FAR_BYTES], np.uint64)
        self._bases[:room] = self._rows[:room] + first
        count = int(_recvmmsg(self.fd, self._header_address, room, MSG_DONTWAIT, None))
        return count if count >= 0 else self.none(ctypes.get_errno())

    def none(self, number: int) -> int:
        """Say that nothing came, as the kernel's error number says; EdgeError where it says more than that."""
        if number in (0, errno.EAGAIN, errno.EINTR):
            return 0
        if number in (errno.ECONNREFUSED, errno.ENETDOWN, errno.EHOSTUNREACH):
            return 0  # a queued error of the interface, which netlink reports as well: the socket still works
        raise EdgeError(f"reading UDP port {self.port} failed: {os.strerror(number)}", "restart slotwatch", number)

    def _fill(self, writer: RingWriter, start: int, count: int, arrivals: ArrivalClock, networks: Networks) -> None:
        packets = writer.ring.packets
        part = slice(start, start + count)
        words, flags = self._words[:count], self._flags[:count]
        packets.length[part] = self._lengths[:count]
        packets.protocol[part] = self.protocol
        packets.flags[part] = ((flags & MSG_TRUNC) != 0) * np.uint8(FLAG_TRUNCATED)
        packets.src_port[part] = self._ports[:count]
        stamps = (words[:, 2] * np.uint64(1_000_000_000) + words[:, 3]).view("<i8")
        packets.t_ns[part] = arrivals.monotonic(stamps, self.drained_ns)
        src, dst = packets.src.view("<u8")[part], packets.dst.view("<u8")[part]
        if self.v6:
            src[:] = self._names64[:count, 1:3]
            dst[:] = words[:, 6:8]
            interfaces = words[:, 8]
        else:
            src[:, 0] = 0
            src[:, 1] = (self._names32[:count, 1].astype(np.uint64) << np.uint64(32)) | np.uint64(MAPPED_PREFIX)
            dst[:, 0] = 0
            dst[:, 1] = (words[:, 7] << np.uint64(32)) | np.uint64(MAPPED_PREFIX)
            interfaces = words[:, 6]
        packets.network[part] = networks.of(interfaces & np.uint64(0xFFFFFFFF))
        whole = (words[:, 1] == _STAMP) & (words[:, 5] == (_INFO6 if self.v6 else _INFO4))
        if not whole.all():
            self._fill_unstamped(packets, start, np.flatnonzero(~whole), arrivals)
        self._name_lengths[:count] = NAME_BYTES
        self._control_lengths[:count] = CONTROL_BYTES
        words[:, 1] = 0  # so that a message that did not come is not mistaken for the last one that did
        words[:, 5] = 0

    def _fill_few(self, writer: RingWriter, start: int, count: int, arrivals: ArrivalClock, networks: Networks) -> bool:
        """Fill a few rows, each separately; False where control data is not as asked for: then `_fill` has to do it."""
        views, words, names = writer.ring.views, self._flat_words, self._flat_names
        info, width = (_INFO6 if self.v6 else _INFO4), CONTROL_BYTES // 8
        if any(words[width * i + 1] != _STAMP or words[width * i + 5] != info for i in range(count)):
            return False
        now_ns, offset_ns = clock.monotonic_ns(), arrivals.wall_offset_ns
        for i in range(count):
            row, word, name = start + i, width * i, NAME_BYTES * i
            views["length"][row] = int(self._lengths[i])
            views["protocol"][row] = self.protocol
            views["flags"][row] = FLAG_TRUNCATED if self._flags[i] & MSG_TRUNC else 0
            views["src_port"][row] = names[name + 2] << 8 | names[name + 3]
            stamp_ns = words[word + 2] * 1_000_000_000 + words[word + 3]
            views["t_ns"][row] = min(max(stamp_ns - offset_ns, self.drained_ns), now_ns)
            if self.v6:
                source, destination, interface = (
                    names[name + 8 : name + 24],
                    words[word + 6 : word + 8],
                    words[word + 8],
                )
                views["dst"][16 * row : 16 * row + 16] = destination.cast("B")
                views["src"][16 * row : 16 * row + 16] = source
            else:
                views["src"][16 * row : 16 * row + 16] = _MAPPED + bytes(names[name + 4 : name + 8])
                views["dst"][16 * row : 16 * row + 16] = _MAPPED + (words[word + 7] & 0xFFFFFFFF).to_bytes(4, "little")
                interface = words[word + 6]
            views["network"][row] = networks.one(interface & 0xFFFFFFFF)
            words[word + 1] = words[word + 5] = 0  # as in `_fill`
        self._name_lengths[:count] = NAME_BYTES
        self._control_lengths[:count] = CONTROL_BYTES
        return True

    def _fill_unstamped(self, packets: Batch, start: int, odd: NDArray[np.intp], arrivals: ArrivalClock) -> None:
        """Rows whose control data is not as asked for: arrival is the time of reading, all else unknown."""
        rows = start + odd
        packets.t_ns[rows] = arrivals.monotonic(np.zeros(len(odd), np.int64) + (1 << 62), self.drained_ns)
        packets.network[rows] = NETWORK_UNKNOWN
        packets.dst[rows] = 0


MOST_GONE = 64
"""Interfaces that are gone, or unknown, and still remembered: an index is not used again for a long time."""


@dataclass(slots=True)
class Networks:
    """Which network of the house an interface index is."""

    by_index: dict[int, int] = field(default_factory=dict)
    """Interface index to network; what is not here is NETWORK_UNKNOWN."""
    look_again: Callable[[], None] | None = None
    """Called once for each unknown index: the packet may be here before the kernel's word of its interface is read."""
    _strangers: set[int] = field(default_factory=set)

    def take(self, by_index: Mapping[int, int], present: Collection[int]) -> None:
        """Take what is true now. What was received on an interface that is gone is still that network's.

        present: indices of all interfaces of this computer.
        """
        gone = {index: network for index, network in self.by_index.items() if index not in present}
        kept = dict(list(gone.items())[-MOST_GONE:])
        self.by_index = {**kept, **by_index}
        self._strangers.clear()

    @property
    def known(self) -> dict[int, int]:
        """Networks of interfaces, and NETWORK_UNKNOWN of those that are no declared network's."""
        return self.by_index | dict.fromkeys(self._strangers - self.by_index.keys(), NETWORK_UNKNOWN)

    def one(self, index: int) -> int:
        """Network of one arrival interface."""
        network = self.by_index.get(index)
        if network is None and self.look_again is not None and index not in self._strangers:
            self.look_again()
            if len(self._strangers) < MOST_GONE:
                self._strangers.add(index)
            network = self.by_index.get(index)
        return NETWORK_UNKNOWN if network is None else network

    def of(self, interfaces: NDArray[np.uint32] | NDArray[np.uint64]) -> NDArray[np.uint16] | int:
        """Network of each arrival interface. Nearly always all are the same one."""
        first = int(interfaces[0])
        if (interfaces == first).all():
            return self.one(first)
        found, inverse = np.unique(interfaces, return_inverse=True)
        table = np.array([self.one(int(index)) for index in found], np.uint16)
        return table[inverse]
