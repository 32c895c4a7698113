"""The whole daemon on two networks, with a real desk on both: one lead out, and an interface that is made again."""

from __future__ import annotations

import pytest

from tests.net.namespace import DAEMON, inside

pytestmark = pytest.mark.net

TWO = """
ip("link", "add", "sw2", "type", "veth", "peer", "name", "eth2")
ip("address", "add", "10.21.0.9/24", "dev", "eth2")
ip("address", "add", "10.21.0.10/32", "dev", "sw2")
ip("link", "set", "eth2", "up")
ip("link", "set", "sw2", "up")
take_own("eth2", "sw2")
text = file.read_text().replace('["eth1"]', '["eth1", "eth2"]')
text += '[[networks]]\\nname = "A"\\ninterface = "eth1"\\n\\n[[networks]]\\nname = "B"\\ninterface = "eth2"\\n'
text = text.replace("[[universes]]\\n", '[[universes]]\\nnetworks = ["A", "B"]\\n')
file.write_text(text)

leads = {"sw": True, "sw2": True}

def send(sock, frame, name, address, cid, universes):
    for number in universes:
        data = DataPacket(cid, name, number, (frame % 256,) * 512, sequence=frame % 256)
        try:
            sock.sendto(bytes(data.getBytes()), (f"239.255.0.{number}", ports.e131))
        except OSError:
            pass  # the interface is gone

def one_desk(name, cid, universes, addresses, cut):
    # One machine with a lead to each network: the same numbers go to both.
    frame = 0
    while not over.wait(0.025):
        frame += 1
        for lead, address in addresses.items():
            if not leads[lead] and cut:
                continue
            try:
                with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
                    sock.bind((address, 0))
                    send_groups_by(sock, lead)
                    send(sock, frame, name, address, cid, universes)
            except OSError:
                pass

def play_all():
    other = tuple(range(16))
    ip("address", "add", "10.20.0.12/32", "dev", "sw")
    ip("address", "add", "10.21.0.12/32", "dev", "sw2")
    main = ("main", CID, (1,), {"sw": "10.20.0.10", "sw2": "10.21.0.10"}, True)
    lights = ("lights", other, (2,), {"sw": "10.20.0.12", "sw2": "10.21.0.12"}, False)
    for given in (main, lights):
        threading.Thread(target=one_desk, args=given, daemon=True).start()

def well(daemon, number, network):
    found = daemon.universe(f"e131/{number}@{network}").get("frames") or 0
    return found > 0

def incident(daemon, rule):
    return next((i for i in daemon.get("/api/v1/incidents?state=all") or [] if i["rule"] == rule), None)
"""


def test_a_desk_that_loses_one_of_its_two_leads_is_reported_to_go_on_by_the_other() -> None:
    answer = inside(
        DAEMON
        + TWO
        + """
play_all()
with ended(start(file, ports)) as daemon:
    until(lambda: all(well(daemon, n, where) for n in (1, 2) for where in "AB"))
    sources = daemon.get("/api/v1/sources")
    leads["sw"] = False
    lost = until(lambda: incident(daemon, "universe-lost"))
    after = daemon.get("/api/v1/sources")
    over.set()
    print(json.dumps({"sources": sources, "lost": lost, "after": after}))
""",
    )
    assert sorted(one["source_name"] for one in answer["sources"]) == ["lights", "main"]
    main = next(one for one in answer["after"] if one["source_name"] == "main")
    legs = {leg["network"]: leg for leg in main["legs"]}
    assert {name: leg["address"] for name, leg in legs.items()} == {"A": "10.20.0.10", "B": "10.21.0.10"}
    assert (legs["A"]["state"], legs["B"]["state"]) == ("silent", "live")
    lost = answer["lost"]
    assert (lost["cause"], lost["universes"]) == ("leg-lost", ["e131/1@A"]), lost
    assert "network B continues" in lost["summary"]
    assert lost["source_names"] == ["main"]


def test_a_survey_of_both_networks_writes_each_universe_once_and_check_takes_the_file() -> None:
    answer = inside(
        DAEMON
        + TWO
        + """
import sys
from sacn.messages.universe_discovery import UniverseDiscoveryPacket
play_all()

def list_all():
    while not over.wait(0.5):
        for lead, address in (("sw", "10.20.0.10"), ("sw2", "10.21.0.10")):
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
                sock.bind((address, 0))
                send_groups_by(sock, lead)
                listed = UniverseDiscoveryPacket(CID, "main", (1, 2))
                sock.sendto(bytes(listed.getBytes()), ("239.255.250.214", ports.e131))

threading.Thread(target=list_all, daemon=True).start()
written = place / "found.toml"
command = [sys.executable, "-c", "import sys; from slotwatch.cli import main; sys.exit(main())"]
given = ["survey", "--seconds", "12", "--interface", "eth1", "--interface", "eth2", "--write", str(written)]
given += ["--e131-port", str(ports.e131), "--artnet-port", str(ports.artnet)]
surveyed = subprocess.run([*command, *given], capture_output=True, text=True)
over.set()
checked = subprocess.run([*command, "check", "-c", str(written)], capture_output=True, text=True)
print(json.dumps({"printed": surveyed.stdout + surveyed.stderr, "file": written.read_text(),
                  "status": checked.returncode, "check": checked.stdout + checked.stderr}))
""",
    )
    assert answer["status"] == 0, (answer["check"], answer["file"])
    assert answer["file"].count("[[universes]]") == 2, answer["file"]
    assert answer["file"].count("[[sources]]") == 2, answer["file"]
    assert answer["file"].count('networks = ["eth1", "eth2"]') == 2
    assert sum(line.startswith("  e131/1 ") for line in answer["printed"].splitlines()) == 1, answer["printed"]


def test_an_interface_that_is_made_anew_leaves_one_row_for_each_universe() -> None:
    answer = inside(
        DAEMON
        + TWO
        + """
play_all()
with ended(start(file, ports)) as daemon:
    until(lambda: all(well(daemon, n, where) for n in (1, 2) for where in "AB"))
    before = socket.if_nametoindex("eth2")
    ip("link", "delete", "eth2")
    until(lambda: "link-down" in rules(daemon))
    ip("link", "add", "sw2", "type", "veth", "peer", "name", "eth2")
    for words in (("10.21.0.9/24", "eth2"), ("10.21.0.10/32", "sw2"), ("10.21.0.12/32", "sw2")):
        ip("address", "add", words[0], "dev", words[1])
    ip("link", "set", "eth2", "up")
    ip("link", "set", "sw2", "up")
    take_own("eth2", "sw2")
    frames = daemon.universe("e131/1@B")["frames"]
    until(lambda: daemon.universe("e131/1@B")["frames"] > frames + 20)
    names = [one["universe"] for one in daemon.get("/api/v1/universes")]
    over.set()
    print(json.dumps({"names": names, "same": socket.if_nametoindex("eth2") == before}))
""",
    )
    assert not answer["same"]
    assert sorted(answer["names"]) == ["e131/1@A", "e131/1@B", "e131/2@A", "e131/2@B"]
