"""A theatre of two networks in a namespace: two desks with a lead to each, a media server and a visiting tour.

Everything they send is built by the sacn library. Names and numbers are invented.
"""

from __future__ import annotations

from tests.net.namespace import CABLE

HOUSE_OF_TWO = (
    CABLE
    + """
import json, os, signal, struct, sys, tempfile, threading, time
from pathlib import Path
from urllib.request import urlopen
from sacn.messages.data_packet import DataPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket
from tests.daemon import HEARD, Ports, ended, start
from tests.patience import PATIENCE_S, until

ports, place = Ports(), Path(tempfile.mkdtemp())
file = place / "house.toml"
over = threading.Event()
LEADS = {"A": ("sw", "10.20.0"), "B": ("sw2", "10.21.0")}
ip("link", "add", "sw2", "type", "veth", "peer", "name", "eth2")
ip("address", "add", "10.21.0.9/24", "dev", "eth2")
ip("link", "set", "eth2", "up")
ip("link", "set", "sw2", "up")
take_own("eth2", "sw2")

def shortened(packet, slots):
    # The same packet with fewer slots: property count and lengths by ANSI E1.31-2018, tables 4-1 and 5-4.
    data = bytearray(packet[: 126 + slots])
    for at in (16, 38, 115):
        struct.pack_into("!H", data, at, 0x7000 | len(data) - at)
    struct.pack_into("!H", data, 123, 1 + slots)
    return bytes(data)

class Machine:
    # It sends its universes on each of its leads, moving all the time, and its discovery list every 10 s.
    def __init__(self, name, host, universes, leads="AB", priority=100, slot_priority=None):
        self.name, self.universes, self.priority, self.slot_priority = name, universes, priority, slot_priority
        self.leads, self.is_on, self.short, self.made = set(leads), True, {}, {}
        self.cid, self.sockets = tuple(name.encode().ljust(16, b".")), {}
        for network in leads:
            interface, prefix = LEADS[network]
            ip("address", "add", f"{prefix}.{host}/32", "dev", interface)
            self.sockets[network] = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            self.sockets[network].bind((f"{prefix}.{host}", 0))
            send_groups_by(self.sockets[network], interface)

    def start(self):
        threading.Thread(target=self.play, daemon=True).start()
        return self

    def packet(self, number, code, step, sequence):
        # Made once for each step of a chase of 64: a sender that works hard stutters.
        key = number, code, step % 64 if code == 0 else 0
        if key not in self.made:
            # A stranger has levels of its own: what repeats a desk's is an echo, which is another fault.
            step, along = (-step, 7) if self.slot_priority else (step, 1)
            chase = tuple((3 * step % 192 + along * slot + number) % 192 for slot in range(512))
            data = chase if code == 0 else (self.slot_priority,) * 512
            made = DataPacket(self.cid, self.name, number, data, self.priority, dmxStartCode=code)
            self.made[key] = bytes(made.getBytes())
        packet = bytearray(self.made[key])
        packet[111] = sequence % 256
        return shortened(packet, self.short[number]) if number in self.short else packet

    def play(self):
        began_s, listed_s, turn, sequence = time.monotonic(), 0.0, 0, 0
        codes = (0,) if self.slot_priority is None else (0xDD, 0)
        while not over.wait(max(0.0, began_s + turn / 30 - time.monotonic())):
            turn += 1
            if not self.is_on:
                continue
            for code in codes:
                sequence += 1
                for number in self.universes:
                    self.send(self.packet(number, code, int(time.monotonic() * 30), sequence), f"0.{number}")
            if time.monotonic() - listed_s > 10.0:
                listed_s = time.monotonic()
                self.send(bytes(UniverseDiscoveryPacket(self.cid, self.name, self.universes).getBytes()), "250.214")

    def send(self, packet, group):
        for network in tuple(self.leads):
            try:
                self.sockets[network].sendto(packet, (f"239.255.{group}", ports.e131))
            except OSError:
                pass  # the interface is gone

PATCH = "fixture,universe,address,footprint,label\\n" + "".join(
    f"{number},{universe},{address},16,{label} {number}\\n"
    for universe, label, start in ((3, "Wash", 100), (4, "Spot", 200))
    for number, address in zip(range(start, start + 8), range(1, 400, 50)))
LABELS = {1: "Dimmers", 2: "Floor", 3: "Wash", 4: "Spots", 11: "Video left", 12: "Video right", 21: "Tour"}

def write_house(phase="show"):
    def source(name, role="main"):
        cid = bytes(name.encode().ljust(16, b".")).hex()
        cid = "-".join((cid[:8], cid[8:12], cid[12:16], cid[16:20], cid[20:]))
        return f'[[sources]]\\nname = "{name}"\\ncid = "{cid}"\\nrole = "{role}"\\n'
    def universe(number, sources, networks):
        names = ", ".join(f'"{name}"' for name in sources)
        where = ", ".join(f'"{name}"' for name in networks)
        return (f'[[universes]]\\nprotocol = "e131"\\nnumber = {number}\\nlabel = "{LABELS[number]}"\\n'
                f'sources = [{names}]\\nnetworks = [{where}]\\n')
    (place / "patch.csv").write_text(PATCH)
    (place / "tour.toml").write_text(source("tour desk") + universe(21, ["tour desk"], "A"))
    file.write_text("\\n".join([
        'include = ["tour.toml"]',
        f'[house]\\nname = "Two networks"\\nphase = "{phase}"',
        f'[listen]\\ninterfaces = ["eth1", "eth2"]\\ne131_port = {ports.e131}\\nartnet_port = {ports.artnet}',
        '[[networks]]\\nname = "A"\\ninterface = "eth1"', '[[networks]]\\nname = "B"\\ninterface = "eth2"',
        f'[http]\\nlisten = "127.0.0.1:{ports.page}"', '[history]\\npath = "history.db"',
        '[patch]\\nfile = "patch.csv"',
        source("main desk"), source("spare desk", "backup"), source("media"),
        *(universe(number, ["main desk", "spare desk"], "AB") for number in (1, 2, 3, 4)),
        *(universe(number, ["media"], "AB") for number in (11, 12)),
    ]))

def plain(daemon):
    with urlopen(f"http://127.0.0.1:{ports.page}/plain", timeout=PATIENCE_S) as answer:
        return answer.read().decode()

def incidents(daemon, state="open"):
    return daemon.get(f"/api/v1/incidents?state={state}&limit=200") or []

def all_well(daemon):
    found = daemon.get("/api/v1/universes") or []
    return len(found) == 13 and all(one["state"] in HEARD for one in found)

def power_cut(daemon):
    # Every process at once, the parent first, so that nothing is restarted.
    children = list(daemon.children().values())
    for number in (daemon.process.pid, *children):
        os.kill(number, signal.SIGKILL)
    daemon.process.wait()
"""
)
