"""Packets with a wrong checksum on a real cable: the kernel drops them, and the program accuses the way, not itself."""

from __future__ import annotations

import pytest

from tests.net.namespace import CABLE, DAEMON, inside

pytestmark = pytest.mark.net

RAW = """
def sum16(data):
    data += bytes(len(data) % 2)
    total = sum(struct.unpack(f">{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total

class Wire:
    # Frames as they are on the cable: Ethernet II, IPv4 (RFC 791) and UDP (RFC 768), with a checksum of our own.
    def __init__(self):
        self.sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
        self.sock.bind(("sw", 0))

    def send(self, payload, port, group, wrong=0):
        src, dst = socket.inet_aton("10.20.0.10"), socket.inet_aton(group)
        udp = struct.pack(">HHHH", 50000, port, 8 + len(payload), 0) + payload
        total = sum16(src + dst + struct.pack(">BBH", 0, 17, len(udp)) + udp)
        good = (~total & 0xFFFF) or 0xFFFF
        bad = ((good + wrong) & 0xFFFF) or 1
        udp = udp[:6] + struct.pack(">H", bad) + udp[8:]
        head = struct.pack(">BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), 7, 0, 20, 17, 0, src, dst)
        head = head[:10] + struct.pack(">H", ~sum16(head) & 0xFFFF) + head[12:]
        mac = bytes((1, 0, 0x5E, dst[1] & 0x7F, dst[2], dst[3]))
        self.sock.send(mac + bytes.fromhex("020000000001") + b"\\x08\\x00" + head + udp)
"""


def test_a_wrong_checksum_counts_as_damage_and_a_full_buffer_as_this_computers_loss() -> None:
    """Each beside the kernel's own counters of the namespace: InCsumErrors and RcvbufErrors of /proc/net/snmp."""
    answer = inside(
        CABLE
        + RAW
        + """
import json
from pathlib import Path
from tests.edge.listening import house_on, listening
from tests.patience import until

house = house_on("eth1", universes=range(7, 8))

def kernel():
    rows = [line.split()[1:] for line in Path("/proc/net/snmp").read_text().splitlines() if line.startswith("Udp:")]
    counts = dict(zip(rows[0], map(int, rows[1])))
    return [counts["InCsumErrors"], counts["RcvbufErrors"]]

with listening(house) as ear:
    wire, port = Wire(), house.listen.e131_port
    read = lambda: (ear.intake.turn(), [ear.ring.damaged, ear.ring.kernel_drops])[1]
    wire.send(bytes(600), port, "239.255.0.7")
    until(lambda: ear.read())
    for wrong in range(1, 8):
        wire.send(bytes(600), port, "239.255.0.7", wrong)
    bad = until(lambda: read() if read()[0] == 7 else None)
    after_bad = kernel()
    # More than the buffer takes, without a turn of ours.
    sent = 0
    while kernel()[1] < 20:
        for _ in range(200):
            wire.send(bytes(1400), port, "239.255.0.7")
        sent += 200
        assert sent < 400_000, kernel()
    def emptied():
        now = read()
        return now if now[1] == kernel()[1] else None
    full = until(emptied)
    print(json.dumps({"bad": bad, "after_bad": after_bad, "full": full, "kernel": kernel()}))
"""
    )
    assert answer["bad"] == [7, 0]
    assert answer["after_bad"] == [7, 0]
    assert answer["full"][0] == 7
    assert answer["full"] == [answer["kernel"][0], answer["kernel"][1]]


def test_damaged_packets_of_a_desk_are_reported_as_such_and_nobody_else_is_accused() -> None:
    answer = inside(
        DAEMON
        + RAW
        + """
wire = Wire()
hurt = threading.Event()
def damage(frame):
    # Beside the good packets, some that something on the way has changed.
    if hurt.is_set() and frame % 4 == 0:
        wire.send(packet(1, frame), ports.e131, "239.255.0.1", 1)
desk("sw", damage)
with ended(start(file, ports)) as daemon:
    until(lambda: (daemon.get("/api/v1/universes") or [{}])[0].get("frames"))
    hurt.set()
    until(lambda: "damaged-packets" in rules(daemon))
    found = next(one for one in daemon.get("/api/v1/incidents?state=open") if one["rule"] == "damaged-packets")
    rows = [line.split()[1:] for line in Path("/proc/net/snmp").read_text().splitlines() if line.startswith("Udp:")]
    counts = dict(zip(rows[0], map(int, rows[1])))
    print(json.dumps({"rules": rules(daemon, "all"), "found": found, "overrun": counts["RcvbufErrors"]}))
    over.set()
""",
    )
    # A computer that is busy enough drops packets as well, and says so itself: the kernel counts them apart.
    assert "host-overrun" not in answer["rules"] or answer["overrun"], answer
    assert answer["found"]["cause"] == "damaged"
    assert "have a wrong checksum" in answer["found"]["summary"]
