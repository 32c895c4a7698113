"""The way to a broker that sends what it likes: what passes, what ends the connection, and how fast it is read."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace

import pytest

from slotwatch.edge.front import broker_gate
from slotwatch.edge.front.broker_gate import LONGEST_PACKET, BrokerGate
from slotwatch.edge.front.mqtt import MqttSender
from tests.edge.front.test_mqtt import house
from tests.patience import PATIENCE_S, cancelled, happens

CONNACK = b"\x20\x02\x00\x00"
"""Accepted (MQTT 3.1.1, 3.2)."""


def packet(first: int, body: bytes) -> bytes:
    """A packet with its length, seven bits in each octet (MQTT 3.1.1, 2.2.3)."""
    length, octets = len(body), b""
    while True:
        length, low = divmod(length, 128)
        octets += bytes([low | (0x80 if length else 0)])
        if not length:
            return bytes([first]) + octets + body


def publish(topic: bytes, payload: bytes, qos: int = 0) -> bytes:
    """A message (MQTT 3.1.1, 3.3.1 to 3.3.3)."""
    return packet(0x30 | qos << 1, len(topic).to_bytes(2, "big") + topic + (b"\0\1" if qos else b"") + payload)


@asynccontextmanager
async def broker(octets: bytes, *, stays: bool = True) -> AsyncIterator[int]:
    """Takes a first packet and sends these octets, whatever comes."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await reader.read(100)
            writer.write(octets)
            await writer.drain()
            while stays and await reader.read(1000):
                pass
        except ConnectionError:
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()


async def through(octets: bytes) -> bytes:
    """What arrives behind the gate of what a broker sends."""
    async with broker(octets, stays=False) as port, BrokerGate("127.0.0.1", port, tls=False) as gate:
        reader, writer = await asyncio.open_unix_connection(gate.address)
        writer.write(b"hello")
        arrived = await reader.read()
        writer.close()
        return arrived


async def test_packets_of_every_length_pass_unchanged() -> None:
    """The ends of the ranges of MQTT 3.1.1, table 2.4."""
    sizes = (0, 127, 128, 16_383, 16_384, LONGEST_PACKET)
    octets = b"".join(packet(0x40, bytes(size)) for size in sizes) + publish(b"slotwatch/listener", b"x", 1)
    assert await through(octets) == octets


@pytest.mark.parametrize(
    ("octets", "words"),
    [
        (packet(0x30, bytes(LONGEST_PACKET + 1))[:100], "it sent a packet of more than 64 KiB."),
        (b"\x30\xff\xff\xff\x7f", "it sent a packet of more than 64 KiB."),
        (b"\x30\xff\xff\xff\xff\x7f", "it sent a packet whose length is not understood."),
        (publish(b"a", b"x", 2), "it sent a message of QoS 2, which slotwatch did not ask for."),
        (publish(b"slotwatch/\xff\xfe", b"x"), "it sent a topic that is no text."),
    ],
)
async def test_what_a_broker_may_not_send_ends_the_connection_with_its_reason(octets: bytes, words: str) -> None:
    """MQTT 3.1.1: the longest packet is 256 MiB (2.2.3). A subscription has the most QoS that is delivered (3.8.4), and
    ours has 1. Topics are UTF-8, and what is not closes the connection (1.5.3)."""
    async with broker(CONNACK + octets) as port:
        sender = MqttSender(house(port))
        running = asyncio.create_task(sender.run())
        try:
            await happens(lambda: sender.health()["text"].endswith(words))
        finally:
            await cancelled(running)


async def test_a_flood_of_messages_is_read_at_a_pace(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broker_gate, "PACKETS_A_TURN", 10)
    monkeypatch.setattr(broker_gate, "TURN_S", 0.2)
    octets = publish(b"slotwatch/universe/e131/1", b"x") * 35
    began_s = time.monotonic()
    assert await through(octets) == octets
    assert time.monotonic() - began_s >= 3 * 0.2, "a pause after each ten"


async def test_only_this_process_gets_through() -> None:
    """The socket has a name that others can read in /proc/net/unix."""
    program = (
        "import socket, sys\n"
        "sock = socket.socket(socket.AF_UNIX)\n"
        "sock.connect(bytes.fromhex(sys.argv[1]))\n"
        "sock.sendall(b'hello')\n"
        "print(sock.recv(10))\n"
    )
    async with broker(CONNACK) as port, BrokerGate("127.0.0.1", port, tls=False) as gate:
        stranger = await asyncio.create_subprocess_exec(
            "python3", "-c", program, gate.address.encode().hex(), stdout=-1, stderr=-1
        )
        printed, complaint = await stranger.communicate()
        assert printed == b"b''\n" or b"Broken pipe" in complaint or b"reset" in complaint, complaint
        reader, writer = await asyncio.open_unix_connection(gate.address)
        writer.write(b"hello")
        assert await reader.readexactly(4) == CONNACK
        writer.close()


async def test_a_place_for_keys_that_cannot_be_written_is_said_and_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Python writes the keys of TLS where SSLKEYLOGFILE says, and refuses to go on without (ssl, Python 3.8)."""
    monkeypatch.setenv("SSLKEYLOGFILE", "/nowhere/keys")
    made = house(1883)
    sender = MqttSender(replace(made, mqtt=replace(made.mqtt, tls=True)))
    task = asyncio.create_task(sender.run())
    await happens(lambda: "Nothing is sent to the MQTT broker" in sender.health()["text"] or task.done())
    assert not task.done()
    await cancelled(task)


@pytest.mark.parametrize("turns", range(6))
async def test_whoever_comes_while_the_gate_is_left_is_left_too(turns: int) -> None:
    """Whichever turn of the loop it is: a connection that is accepted may begin only some turns later."""
    loop = asyncio.get_running_loop()
    async with broker(CONNACK) as port:
        gate = BrokerGate("127.0.0.1", port, tls=False)
        with socket.socket(socket.AF_UNIX) as sock:
            sock.setblocking(False)
            async with gate:
                sock.connect(gate.address)
                for _ in range(turns):
                    await asyncio.sleep(0)
            async with asyncio.timeout(PATIENCE_S):
                with suppress(ConnectionResetError):
                    assert await loop.sock_recv(sock, 1) == b""
