"""The whole daemon on a cable of its own, in a network namespace."""

from __future__ import annotations

import pytest

from tests.net.namespace import inside

pytestmark = pytest.mark.net

PRELUDE = """
import json, socket, struct, subprocess, tempfile, threading, time
from pathlib import Path
from sacn.messages.data_packet import DataPacket
from tests.daemon import CID, Ports, ended, house_text, start, until

def ip(*words):
    subprocess.run(["ip", *words], check=True)

ip("address", "add", "10.20.0.10/32", "dev", "sw")
for name in ("all", "eth1", "sw", "default"):
    open(f"/proc/sys/net/ipv4/conf/{name}/rp_filter", "w").write("0")
    open(f"/proc/sys/net/ipv4/conf/{name}/accept_local", "w").write("1")

ports, place = Ports(), Path(tempfile.mkdtemp())
file = place / "house.toml"
file.write_text(house_text(ports, range(1, 3)).replace('["lo"]', '["eth1"]'))
over = threading.Event()

def play():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        request = struct.pack("=4s4si", bytes(4), bytes(4), socket.if_nametoindex("sw"))
        sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, request)
        frame = 0
        while not over.wait(0.025):
            frame += 1
            for number in (1, 2):
                packet = DataPacket(CID, "test desk", number, (frame % 256,) * 512, sequence=frame % 256)
                try:
                    sock.sendto(bytes(packet.getBytes()), (f"239.255.0.{number}", ports.e131))
                except OSError:
                    pass  # the cable is out

def rules(daemon, state="open"):
    return sorted(i["rule"] for i in daemon.get(f"/api/v1/incidents?state={state}") or [])
"""


def test_a_pulled_cable_is_the_listeners_own_fault_and_blames_no_universe() -> None:
    answer = inside(
        PRELUDE
        + """
threading.Thread(target=play, daemon=True).start()
with ended(start(file, ports)) as daemon:
    until(lambda: daemon.universe("e131/1").get("state") in ("ok", "at-rest") and daemon.universe("e131/2"))
    ip("link", "set", "sw", "down")
    until(lambda: "link-down" in rules(daemon))
    time.sleep(4.0)
    down = rules(daemon)
    state = daemon.universe("e131/1")["state"]
    ip("link", "set", "sw", "up")
    until(lambda: daemon.universe("e131/1").get("state") in ("ok", "at-rest"), 20)
    until(lambda: "link-down" not in rules(daemon), 30)
    over.set()
    print(json.dumps({"down": down, "state": state, "all": rules(daemon, "all"), "status": daemon.stop()}))
""",
        120,
    )
    assert "link-down" in answer["down"]
    assert answer["state"] == "not-judged"
    assert not {"universe-lost", "universe-missing", "source-absent"} & set(answer["all"]), answer["all"]
    assert answer["status"] == 0
