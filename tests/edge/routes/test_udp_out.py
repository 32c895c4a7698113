"""What the bridge sends is read without a fault by tshark, the `sacn` package and a second Art-Net library."""

from __future__ import annotations

import os
import shutil
import socket
import struct
import subprocess
import time

import pytest
import sacn
from stupidArtnet import StupidArtnetServer

from slotwatch.bridge.outgoing import Outgoing, What
from slotwatch.bridge.output import Target
from slotwatch.edge.routes.udp_out import Sender
from slotwatch.wire.universe import Protocol, UniverseId
from tests.patience import PATIENCE_S
from tests.ports import free_port

CID = bytes(range(16))
LEVELS = bytes(n % 251 for n in range(512))
E131, ARTNET = UniverseId(Protocol.E131, 300), UniverseId(Protocol.ARTNET, 0x123)


def packets(*frames: Outgoing, protocol: UniverseId) -> list[bytes]:
    """Send frames over loopback and return the payloads that arrived."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listener:
        listener.bind(("127.0.0.1", 0))
        listener.settimeout(PATIENCE_S)
        port = listener.getsockname()[1]
        sender = Sender(CID, "slotwatch bridge", e131_port=port, artnet_port=port)
        sender.open([Target(protocol, 0, "127.0.0.1")], ["lo"])
        got = []
        for frame in frames:
            sender.send([frame])
            got.append(listener.recv(2048))
        sender.close()
        assert not sender.failures
        return got


def tshark_fields(payloads: list[bytes], port: int, *fields: str, options: tuple[str, ...] = ()) -> list[list[str]]:
    if not shutil.which("tshark"):
        if os.environ.get("CI") == "true":
            pytest.fail("tshark is missing")
        pytest.skip("tshark is missing: sudo apt-get install tshark")
    header = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 101)
    capture = header
    for payload in payloads:
        udp = struct.pack(">HHHH", 40000, port, 8 + len(payload), 0) + payload
        ip = struct.pack(">BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), 0, 0, 64, 17, 0, b"\x7f\0\0\1", b"\x7f\0\0\1") + udp
        capture += struct.pack("<IIII", 0, 0, len(ip), len(ip)) + ip
    asked = [word for field in (*fields, "_ws.malformed", "_ws.expert") for word in ("-e", field)]
    found = subprocess.run(
        ["tshark", "-r", "-", *options, "-T", "fields", *asked], input=capture, capture_output=True, check=True
    )
    rows = [line.split("\t") for line in found.stdout.decode().splitlines()]
    assert all(not row[-1] and not row[-2] for row in rows), f"tshark finds fault: {rows}"
    return [row[:-2] for row in rows]


@pytest.mark.tshark
def test_tshark_reads_e131_without_fault() -> None:
    sent = packets(
        Outgoing(0, What.LEVELS, LEVELS, 50),
        Outgoing(0, What.SLOT_PRIORITY, bytes([50]) * 512, 50),
        Outgoing(0, What.TERMINATED, LEVELS, 50),
        protocol=E131,
    )
    options = ("--enable-heuristic", "acn", "-o", "acn.dmx_enable:TRUE")
    fields = ("acn.cid", "acn.dmx.priority", "acn.dmx.seq_number", "acn.dmx.universe")
    rows = tshark_fields(sent, 5568, *fields, "acn.dmx.source_name", options=options)
    cid = "00010203-0405-0607-0809-0a0b0c0d0e0f"
    assert rows[0][:4] == [cid, "50", "0", "300"]
    assert [row[2] for row in rows] == ["0", "1", "2"], "0xDD shares the sequence (E1.31 6.2.5)"
    assert [payload[125] for payload in sent] == [0, 0xDD, 0]
    assert rows[0][4].startswith("slotwatch bridge")
    assert [payload[112] for payload in sent] == [0, 0, 0x40], "stream terminated is option bit 6 (6.2.6)"
    assert sent[0][126:] == LEVELS


@pytest.mark.tshark
def test_tshark_reads_artnet_without_fault() -> None:
    sent = packets(*[Outgoing(0, What.LEVELS, LEVELS, 50)] * 2, protocol=ARTNET)
    rows = tshark_fields(
        sent, 6454, "artnet.output.sequence", "artnet.output.universe", "artnet.output.length", "artnet.header.protver"
    )
    assert [row[0] for row in rows] == ["1", "2"]
    assert [int(rows[0][1], 0), int(rows[0][2], 0), int(rows[0][3], 0)] == [0x123, 512, 14]


def test_artnet_sequence_skips_zero() -> None:
    """0 would mean "not used", so the number after 255 is 1."""
    sent = packets(*[Outgoing(0, What.LEVELS, LEVELS, 50)] * 256, protocol=ARTNET)
    assert [payload[12] for payload in sent[253:]] == [254, 255, 1]


def test_the_sacn_package_receives_the_right_slots(monkeypatch: pytest.MonkeyPatch) -> None:
    port, opened, real = free_port(), [], socket.socket

    def noted(*of: int) -> socket.socket:
        opened.append(real(*of))
        return opened[-1]

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(socket, "socket", noted)
        receiver = sacn.sACNreceiver(bind_address="127.0.0.1", bind_port=port)
    heard: list[tuple[int, ...]] = []
    receiver.register_listener("universe", lambda packet: heard.append(packet.dmxData), universe=300)
    receiver.start()
    sender = Sender(CID, "slotwatch bridge", e131_port=port)
    sender.open([Target(E131, 0, "127.0.0.1")], ["lo"])
    try:
        deadline = time.monotonic() + PATIENCE_S
        while not heard and time.monotonic() < deadline:
            sender.send([Outgoing(0, What.LEVELS, LEVELS, 50)])
            time.sleep(0.05)
    finally:
        receiver.stop()
        for sock in opened:
            sock.close()  # the package leaves it to the collector
        sender.close()
    assert heard[0] == tuple(LEVELS)


def test_a_second_artnet_library_receives_the_right_slots() -> None:
    """stupidArtnet parses the packet that was sent; its socket is not opened, its port would be fixed."""
    (payload,) = packets(Outgoing(0, What.LEVELS, LEVELS, 50), protocol=ARTNET)
    assert StupidArtnetServer.validate_header(payload)
    assert list(payload[18:]) == list(LEVELS)


def test_a_refused_send_is_counted() -> None:
    sender = Sender(CID, "slotwatch bridge", e131_port=9)
    sender.open([Target(E131, 0, "240.0.0.1")], ["lo"])
    sender.send([Outgoing(0, What.LEVELS, LEVELS, 50)])
    sender.close()
    assert sender.sent + sum(sender.failures.values()) == 1
