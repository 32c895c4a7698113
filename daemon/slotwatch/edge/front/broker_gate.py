"""The way to an MQTT broker, which lets in no more than a broker has to send.

The library keeps whatever comes: packets of 256 MiB, every message of QoS 2 until the broker releases it, and reads on
for as long as more arrives. So it is connected to this gate, on a Unix socket of this process alone, and the gate to
the broker. It reads packet by packet (MQTT 3.1.1, 2.2) and no faster than the pace below; the broker then waits.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import secrets
import socket
import ssl
import struct
from types import TracebackType

from slotwatch import clock
from slotwatch.edge.shared.ended_tasks import end_tasks

CONNECT_WITHIN_S = 10.0
END_WITHIN_S = 0.5
AGAIN_S = 0.5
LONGEST_PACKET = 65_536
"""What slotwatch publishes itself and reads back is shorter."""
TURN_S = 0.25
PACKETS_A_TURN, BYTES_A_TURN = 500, 1 << 20
"""What is read in a turn: 4,034 retained states in two seconds."""
_PUBLISH, _QOS_BITS, _QOS_2 = 3, 0x06, 0x04
_LENGTH_OCTETS = 4
"""Of a packet's length at most (2.2.3)."""


class BrokerFault(Exception):
    """What a broker may not send, as the end of a sentence."""


Streams = tuple[asyncio.StreamReader, asyncio.StreamWriter]


class BrokerGate:
    """Connected to the broker, and listens at `address`, while it is entered. OSError where it cannot be reached.

    `fault`: why the connection was ended here.
    """

    def __init__(self, host: str, port: int, *, tls: bool) -> None:
        self._host, self._port, self._tls = host, port, tls
        # Begins with a zero octet: a name that is no file, and is gone with the socket (unix(7)).
        self.address = f"\0slotwatch-{secrets.token_hex(16)}"
        self.fault: BrokerFault | None = None
        self._first: Streams | None = None
        """The connection to the broker that no session has used yet. The library may connect once more by itself."""
        self._sessions: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> BrokerGate:
        self._listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._listening.setblocking(False)
            self._listening.bind(self.address)
            self._listening.listen()
            self._first = await self._connect()
        except BaseException:
            self._listening.close()
            raise
        self._accepting = asyncio.create_task(self._accept())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            await end_tasks([self._accepting])
            if self._sessions:
                await asyncio.wait(self._sessions, timeout=END_WITHIN_S)
        finally:
            self._listening.close()
            await end_tasks(self._sessions)
            if self._first is not None:
                await _close(self._first[1])

    async def _accept(self) -> None:
        # Not asyncio.start_unix_server: who is accepted in the turn in which that is closed stays open, and waits.
        while True:
            try:
                taken, _ = await asyncio.get_running_loop().sock_accept(self._listening)
            except OSError:  # no descriptor is left
                await asyncio.sleep(AGAIN_S)
                continue
            try:
                streams = await asyncio.open_unix_connection(sock=taken)
            except BaseException:
                taken.close()
                raise
            self._begin(*streams)

    def _begin(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        session = asyncio.create_task(self._serve(reader, writer))
        self._sessions.add(session)

        def over(_: asyncio.Task[None]) -> None:
            self._sessions.discard(session)
            writer.close()  # here, for a session that is cancelled before its first turn runs nothing of its own

        session.add_done_callback(over)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            if _peer_process(writer) != os.getpid():
                return
            first, self._first = self._first, None
            from_broker, to_broker = first or await self._connect()
            ways = [
                asyncio.create_task(_pass_packets(from_broker, writer)),
                asyncio.create_task(_pass_bytes(reader, to_broker)),
            ]
            try:
                done, _ = await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
                for way in done:
                    way.result()
            finally:
                await end_tasks(ways)
                await _close(to_broker)
        except BrokerFault as fault:
            self.fault = fault
        except OSError:
            pass  # the library notices the end by itself, and has its words for it

    async def _connect(self) -> Streams:
        tls = ssl.create_default_context() if self._tls else None
        place = self._host, self._port
        sock = await asyncio.to_thread(socket.create_connection, place, CONNECT_WITHIN_S)
        sock.setblocking(False)
        return await asyncio.open_connection(
            sock=sock,
            ssl=tls,
            server_hostname=self._host if self._tls else None,
            ssl_handshake_timeout=CONNECT_WITHIN_S if self._tls else None,
        )


async def _close(writer: asyncio.StreamWriter) -> None:
    """Close a connection once what was written has left, if the other end takes it."""
    writer.close()
    with contextlib.suppress(OSError, TimeoutError):
        async with asyncio.timeout(END_WITHIN_S):
            await writer.wait_closed()


async def _pass_bytes(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while data := await reader.read(LONGEST_PACKET):
        writer.write(data)
        await writer.drain()


async def _pass_packets(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Pass whole packets on until the broker ends the connection. BrokerFault where one is none of a broker's."""
    began_ns, packets, octets = clock.monotonic_ns(), 0, 0
    while packet := await _packet(reader):
        writer.write(packet)
        await writer.drain()
        packets, octets = packets + 1, octets + len(packet)
        if packets >= PACKETS_A_TURN or octets >= BYTES_A_TURN:
            passed_s = (clock.monotonic_ns() - began_ns) / 1e9
            await asyncio.sleep(max(0.0, TURN_S - passed_s))
            began_ns, packets, octets = clock.monotonic_ns(), 0, 0


async def _packet(reader: asyncio.StreamReader) -> bytes:
    """Read one packet; empty at the end of the connection."""
    try:
        head = await reader.readexactly(1)
        length = 0
        for place in range(_LENGTH_OCTETS):
            octet = await reader.readexactly(1)
            head += octet
            length |= (octet[0] & 0x7F) << 7 * place
            if not octet[0] & 0x80:
                break
        else:
            raise BrokerFault("it sent a packet whose length is not understood")
        if length > LONGEST_PACKET:
            raise BrokerFault(f"it sent a packet of more than {LONGEST_PACKET >> 10} KiB")
        body = await reader.readexactly(length)
    except asyncio.IncompleteReadError:
        return b""
    if head[0] >> 4 == _PUBLISH:
        _check_publish(head[0], body)
    return head + body


def _check_publish(first: int, body: bytes) -> None:
    if first & _QOS_BITS >= _QOS_2:
        raise BrokerFault("it sent a message of QoS 2, which slotwatch did not ask for")
    try:
        body[2 : 2 + int.from_bytes(body[:2], "big")].decode("utf-8")
    except UnicodeDecodeError:
        raise BrokerFault("it sent a topic that is no text") from None


def _peer_process(writer: asyncio.StreamWriter) -> int:
    sock: socket.socket = writer.get_extra_info("socket")
    number, _, _ = struct.unpack("3i", sock.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))
    return int(number)
