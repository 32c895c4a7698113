"""Without a house file: groups are joined from discovery lists and from --universes, on a cable of its own."""

from __future__ import annotations

import pytest

from tests.daemon import STUTTERS
from tests.net.namespace import DAEMON, inside

pytestmark = pytest.mark.net


def test_listed_and_asked_universes_are_joined_and_nothing_else() -> None:
    answer = inside(
        DAEMON
        + """
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

listed = bytes(UniverseDiscoveryPacket(CID, "test desk", (1, 2)).getBytes())

def more(frame):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        send_groups_by(sock, "sw")
        for number in (41, 99):
            sock.sendto(packet(number, frame), (f"239.255.0.{number}", ports.e131))
        if frame % 40 == 0:
            sock.sendto(listed, ("239.255.250.214", ports.e131))

desk("sw", more)
words = ["--interface", "eth1", "--universes", "40-42", "--page", f"127.0.0.1:{ports.page}", "--state", str(place)]
words += ["--e131-port", str(ports.e131), "--artnet-port", str(ports.artnet)]
with ended(start(file, ports, words=words)) as daemon:
    until(lambda: {"e131/1", "e131/2", "e131/41"} <= {u["universe"] for u in daemon.get("/api/v1/universes") or []})
    heard = sorted(u["universe"] for u in daemon.api("/api/v1/universes"))
    daemon.judges_for(2)
    alarms = [one["rule"] for one in daemon.api("/api/v1/incidents") if one["severity"] != "note"]
    print(json.dumps({"heard": heard, "alarms": alarms, "status": daemon.stop()}))
over.set()
""",
    )
    assert (answer["heard"], answer["status"]) == (["e131/1", "e131/2", "e131/41"], 0)
    assert set(answer["alarms"]) <= STUTTERS, "the desk of this test may pause on a busy computer, and no more"
