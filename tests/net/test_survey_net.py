"""A survey in a namespace: universes that are only listed are found once their groups are joined."""

from __future__ import annotations

import pytest

from tests.net.namespace import CABLE, inside

pytestmark = pytest.mark.net

PROGRAM = (
    CABLE
    + """
import json, threading
from sacn.messages.data_packet import DataPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket
from slotwatch.edge.tools.survey import survey
from slotwatch.house.schema import House, Network
from slotwatch.house.service import Listen

over = threading.Event()

def send():
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, b"sw")
    send_groups_by(sock, "sw")
    cid, frame = tuple(b"namespace-desk.."), 0
    while not over.wait(0.05):
        if frame % 40 == 0:
            listed = UniverseDiscoveryPacket(cid, "Desk A", tuple(range(1, 31)))
            sock.sendto(bytes(listed.getBytes()), ("239.255.250.214", 15568))
        for number in (1, 2, 30):
            packet = DataPacket(cid, "Desk A", number, (frame % 256,) * 512, sequence=frame % 256)
            sock.sendto(bytes(packet.getBytes()), (f"239.255.0.{number}", 15568))
        frame += 1

threading.Thread(target=send, daemon=True).start()
house = House(listen=Listen(interfaces=("eth1",), e131_port=15568, artnet_port=16454), networks=(Network("A", "eth1"),))
lines = []
found = survey(house, 12.0, lines.append)
groups = open("/proc/net/igmp").read()
over.set()
print(json.dumps({"universes": [u["universe"] for u in found.universes], "lines": lines, "left": groups.count("FFEF")}))
"""
)


def test_listed_universes_are_found_in_batches_and_groups_are_left_again() -> None:
    answer = inside(PROGRAM)
    assert answer["universes"] == ["e131/1", "e131/2", "e131/30"]
    assert any("e131/1 to e131/20, 10 more to come" in line for line in answer["lines"]), "20 groups at a time"
    assert answer["left"] == 0, "nothing stays joined"
