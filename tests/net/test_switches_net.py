"""Real agents: net-snmp's snmpd and lldpd on Linux bridges, asked as a house's switches are."""

from __future__ import annotations

import json

import pytest

from tests.net.bridges import among_bridges
from tests.net.namespace import CABLE

pytestmark = pytest.mark.net

ASKED = """
import asyncio, json
from slotwatch import clock
from slotwatch.edge.front.decoding_pace import DecodingPace
from slotwatch.edge.front.snmp import Agent
from slotwatch.edge.front.switch_credentials import Credentials
from slotwatch.edge.front.switch_polling import Polls

V2C = Credentials(community="watcher")
V3 = Credentials(user="slotwatch", authentication="authentic enough", privacy="private enough",
                 authentication_protocol="SHA-256")
V3_LINES = ('createUser slotwatch SHA-256 "authentic enough" AES "private enough"', "rouser slotwatch priv")

async def ask(bridge, credentials):
    agent = Agent(bridge.address, credentials, DecodingPace())
    try:
        return await Polls(agent).poll(bridge.name, clock.monotonic_ns())
    finally:
        agent.close()

async def ask_until(bridge, credentials, wanted, within_s=PATIENCE_S):
    deadline_s = time.monotonic() + within_s
    while True:
        seen = await ask(bridge, credentials)
        if seen.reached and wanted(seen.state):
            return seen.state
        assert time.monotonic() < deadline_s, seen
        await asyncio.sleep(0.1)

def port(state, name):
    return next((one for one in state.ports if one.name == name), None)

def links(state):
    return {(next(p.name for p in state.ports if p.index == n.port), n.system_name) for n in state.tables.neighbours}
"""


def test_real_agents_tell_ports_neighbours_addresses_and_restarts() -> None:
    """Two bridges: one asked by version 2c, one by version 3 with authentication and privacy."""
    answer = json.loads(
        among_bridges(
            ASKED
            + """
async def main():
    foh.plug("1", "eth1")
    subprocess.run("ip address add 10.20.0.9/24 dev eth1; ip link set eth1 up", shell=True, check=True)
    foh.plug("3", "desk")
    subprocess.run(["ip", "link", "set", "desk", "up"], check=True)
    join(foh, "24", stage, "8")
    many = "".join(f"fdb add 02:00:00:00:{n >> 8:02x}:{n & 255:02x} dev 3 master static\\n" for n in range(2000))
    foh.run("bridge", "-batch", "-", input=many, text=True)
    foh.agent("rocommunity watcher")
    stage.agent(*V3_LINES)
    foh.neighbours(); stage.neighbours()

    def is_whole(s):
        return s.tables and links(s) == {("24", "Stage")} and len(s.tables.macs) >= 2000

    whole = await ask_until(foh, V2C, is_whole)
    far = await ask_until(stage, V3, lambda s: s.tables and links(s) == {("8", "FOH")})
    crowd = [index for _, index in whole.tables.macs].count(port(whole, "3").index)

    wrong = await ask(foh, Credentials(community="stranger"))
    other = Credentials(user="slotwatch", authentication="wrong passphrase", privacy="private enough",
                        authentication_protocol="SHA-256")
    refused = await ask(stage, other)

    foh.snmpd.terminate(); foh.snmpd.wait(PATIENCE_S)
    ended_s = time.monotonic()
    foh.agent("rocommunity watcher")
    again = await ask_until(foh, V2C, lambda s: s.uptime_ticks / 100 < time.monotonic() - ended_s)

    stage.snmpd.send_signal(signal.SIGSTOP)
    for _ in range(TRIALS):  # on a busy computer an agent may take longer than it is waited for
        hung, beside = await asyncio.gather(ask(stage, V3), ask(foh, V2C))
        if beside.reached:
            break
    print(json.dumps({
        "names": sorted(p.name for p in whole.ports if p.name != "br0"),
        "up": port(whole, "3").up, "system": [whole.system_name, far.system_name], "crowd": crowd,
        "chassis": [far.tables.chassis, whole.tables.neighbours[0].chassis],
        "wrong": [wrong.reached, wrong.reason], "refused": [refused.reached, refused.reason],
        "host": [whole.host_uptime_ticks, again.host_uptime_ticks],
        "hung": [hung.reached, hung.reason], "beside": beside.reached,
    }))

foh, stage = Bridge("FOH", "10.20.0.2"), Bridge("Stage", "10.20.0.3")
try:
    asyncio.run(main())
finally:
    foh.end(); stage.end()
"""
        )
    )
    assert answer["names"] == ["1", "24", "3"]
    assert (answer["up"], answer["system"]) == (True, ["FOH", "Stage"])
    assert answer["crowd"] >= 2000
    assert answer["chassis"][0] == answer["chassis"][1], "the same device by its own word and by its neighbour's"
    assert not answer["wrong"][0] and "no answer" in answer["wrong"][1]
    assert not answer["refused"][0] and "does not accept the credentials" in answer["refused"][1]
    assert answer["host"][1] >= answer["host"][0], "only its management restarted"
    assert not answer["hung"][0] and answer["beside"]


def test_a_daemon_names_the_port_that_was_pulled_and_the_uplink_that_was_cut() -> None:
    """A desk behind two bridges, house lights on the near one: first the lights' port goes, then the way between."""
    answer = json.loads(
        among_bridges(
            CABLE.partition("# The far end")[0]
            + """
import json, threading, urllib.request
from sacn.messages.data_packet import DataPacket
from tests.daemon import HEARD, Ports, ended, house_text, start

ports, place = Ports(), Path(tempfile.mkdtemp())
SWITCHES = "".join(f'''
[[switches]]
name = "{name}"
address = "{address}"
version = "2c"
credentials_file = "watcher.snmp"
poll_s = 5
''' for name, address in (("FOH", "10.20.0.2"), ("Stage", "10.20.0.3")))
SOURCES = "".join(f'''
[[sources]]
name = "{name}"
address = "{address}"
''' for name, address in (("main desk", "10.20.0.10"), ("house lights", "10.20.0.12")))
file = place / "house.toml"
file.write_text(house_text(ports, range(1, 3), SWITCHES + SOURCES).replace('["lo"]', '["eth1"]'))
(place / "watcher.snmp").write_text("watcher")
(place / "watcher.snmp").chmod(0o600)
over = threading.Event()

def address_is(name, address):
    # What a computer says of itself when it takes an address: gratuitous ARP (RFC 5227 3).
    octets = socket.inet_aton(address)
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW) as raw:
        raw.bind((name, 0))
        own = raw.getsockname()[4]
        raw.send(b"\\xff" * 6 + own + bytes.fromhex("08060001080006040001") + own + octets + bytes(6) + octets)

def desk(name, address, number):
    cid = (number,) * 16
    def play():
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            send_groups_by(sock, name)
            sock.bind((address, 0))
            frame = 0
            while not over.wait(0.025):
                frame += 1
                made = DataPacket(cid, name, number, (frame % 256,) * 512, sequence=frame % 256)
                try:
                    sock.sendto(bytes(made.getBytes()), (f"239.255.0.{number}", ports.e131))
                    if frame % 80 == 1:
                        address_is(name, address)
                except OSError:
                    pass  # its cable is out
    threading.Thread(target=play, daemon=True).start()

def places(daemon):
    legs = {one["declared_as"]: one["legs"][0]["place"] for one in daemon.get("/api/v1/sources") or []}
    return {name: f"{place['switch']} {place['port']}" for name, place in legs.items() if name and place}

def lost(daemon, universe):
    found = daemon.get("/api/v1/incidents?state=open") or []
    return next((one for one in found if one["rule"] == "universe-lost" and universe in one["universes"]), None)

def links(daemon):
    switches = (daemon.get("/api/v1/network") or {}).get("switches") or []
    return {(one["name"], port["leads_to"]) for one in switches for port in one["ports"] if port["leads_to"]}

def healthy(daemon):
    return all(daemon.universe(f"e131/{n}").get("state") in HEARD for n in (1, 2))

def cut_off(daemon, universe):
    found = lost(daemon, universe)
    return found if found and "went down" in found["summary"] else None

foh, stage = Bridge("FOH", "10.20.0.2"), Bridge("Stage", "10.20.0.3")
try:
    foh.plug("1", "eth1"); foh.plug("5", "lights"); stage.plug("3", "desk")
    join(foh, "24", stage, "8")
    for name, address in (("eth1", "10.20.0.9/24"), ("lights", "10.20.0.12/32"), ("desk", "10.20.0.10/32")):
        ip("address", "add", address, "dev", name); ip("link", "set", name, "up")
    take_own("all", "eth1", "lights", "desk")
    for one in (foh, stage):
        one.agent("rocommunity watcher")
        one.neighbours()
    desk("desk", "10.20.0.10", 1); desk("lights", "10.20.0.12", 2)
    until(lambda: (WORK / "FOH" / "agentx").exists())
    with ended(start(file, ports)) as daemon:
        until(lambda: healthy(daemon) and len(places(daemon)) == 2 and len(links(daemon)) == 2)
        where = places(daemon)
        foh.ip("link", "set", "5", "down")
        pulled = until(lambda: cut_off(daemon, "e131/2"))
        foh.ip("link", "set", "24", "down")
        cut = until(lambda: cut_off(daemon, "e131/1"))
        metrics = urllib.request.urlopen(f"http://127.0.0.1:{ports.page}/metrics", timeout=PATIENCE_S).read().decode()
        over.set()
        print(json.dumps({"where": where, "pulled": pulled, "cut": cut, "metrics": metrics}))
finally:
    over.set()
    foh.end(); stage.end()
"""
        )
    )
    assert answer["where"] == {"main desk": "Stage 3", "house lights": "FOH 5"}
    pulled, cut = answer["pulled"], answer["cut"]
    assert (pulled["cause"], pulled["universes"]) == ("source-lost", ["e131/2"]), pulled
    assert "port 5 of switch FOH went down" in pulled["summary"]
    assert (cut["cause"], cut["universes"]) == ("network-lost", ["e131/1"]), cut
    assert "Port 24 of switch FOH, the link to switch Stage, went down" in cut["summary"]
    assert 'slotwatch_switch_up{switch="FOH"} 1.0' in answer["metrics"]
