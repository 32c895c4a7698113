"""Routes on a cable of their own: multicast to the right group, broadcast only where it was asked for."""

from __future__ import annotations

import pytest

from tests.net.namespace import DAEMON, inside

pytestmark = pytest.mark.net

PROGRAM = """
import json, socket, struct
from slotwatch.bridge.output import Target
from slotwatch.bridge.outgoing import Outgoing, What
from slotwatch.edge.routes.udp_out import Sender
from slotwatch.wire.universe import Protocol, UniverseId
from tests.patience import PATIENCE_S

watch = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(0x0800))
watch.bind(("sw", 0))
watch.settimeout(PATIENCE_S)
sender = Sender(bytes(16), "slotwatch bridge", e131_port=15568, artnet_port=16454)
targets = [
    Target(UniverseId(Protocol.E131, 300), 0),
    Target(UniverseId(Protocol.ARTNET, 3), 0, broadcast=True),
]
sender.open(targets, ["eth1"])
seen = []
for at in range(2):
    sender.send([Outgoing(at, What.LEVELS, bytes(512), 50)])
    while True:
        frame = watch.recv(2048)
        if frame[23] == 17:
            break
    seen.append({"mac": frame[:6].hex(":"), "to": socket.inet_ntoa(frame[30:34]), "tos": frame[15], "ttl": frame[22]})
print(json.dumps({"seen": seen, "failures": sender.failures}))
sender.close()
"""


def test_group_and_broadcast_leave_by_the_declared_network() -> None:
    """E1.31-2018 table 9-10: universe 300 is 239.255.1.44; RFC 1112 6.4 gives its hardware address."""
    answer = inside(PROGRAM)
    assert answer["failures"] == {}
    group, broadcast = answer["seen"]
    assert (group["to"], group["mac"]) == ("239.255.1.44", "01:00:5e:7f:01:2c")
    assert (broadcast["to"], broadcast["mac"]) == ("255.255.255.255", "ff:ff:ff:ff:ff:ff")


MADE_ANEW = """
import json, socket
from slotwatch.bridge.output import Target
from slotwatch.bridge.outgoing import Outgoing, What
from slotwatch.edge.routes.udp_out import Sender
from slotwatch.wire.universe import Protocol, UniverseId
from tests.net.namespace import CABLE
from tests.patience import until
exec(CABLE)

def watched():
    sock = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(0x0800))
    sock.bind(("sw", 0))
    sock.settimeout(0.5)
    return sock

def heard(watch):
    found = set()
    try:
        while True:
            frame = watch.recv(2048)
            if frame[23] == 17:
                found.add(socket.inet_ntoa(frame[30:34]))
    except TimeoutError:
        return sorted(found)

# Another way out, which nothing may take.
ip("link", "add", "office", "type", "veth", "peer", "name", "hub")
ip("link", "set", "hub", "up")
ip("address", "add", "192.0.2.1/24", "dev", "office")
ip("link", "set", "office", "up")
ip("route", "add", "default", "dev", "office")
other = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(0x0800))
other.bind(("hub", 0))
other.settimeout(0.5)

targets = [
    Target(UniverseId(Protocol.E131, 300), 0),
    Target(UniverseId(Protocol.ARTNET, 3), 0, broadcast=True),
    Target(UniverseId(Protocol.ARTNET, 4), 0, "10.20.0.41"),
]
sender = Sender(bytes(16), "slotwatch bridge", e131_port=15568, artnet_port=16454)
frames = [Outgoing(at, What.LEVELS, bytes(512), 50) for at in range(3)]
ip("link", "delete", "eth1")
sender.open(targets, ["eth1"])
sender.send(frames)
sender.follow_interfaces()
sender.send(frames)
gone = {"elsewhere": heard(other), "refused": sum(sender.failures.values())}
found = []
for _ in range(2):
    ip("link", "add", "sw", "type", "veth", "peer", "name", "eth1")
    ip("address", "add", "10.20.0.9/24", "dev", "eth1")
    for name in ("eth1", "sw"):
        ip("link", "set", name, "up")
    ip("neighbour", "replace", "10.20.0.41", "lladdr", "02:00:00:00:00:41", "dev", "eth1", "nud", "permanent")
    watch, came = watched(), set()
    sender.follow_interfaces()
    def all_came():
        # A new link drops what is sent until the kernel has noticed that it is up.
        sender.send(frames)
        came.update(heard(watch))
        return len(came) == len(frames)
    until(all_came)
    found.append(sorted(came))
    watch.close()
    ip("link", "delete", "eth1")
print(json.dumps({"gone": gone, "found": found}))
sender.close()
"""


def test_routes_wait_for_an_interface_that_is_gone_and_follow_it_when_it_is_made_again() -> None:
    """An adapter that is plugged in again has another index (rtnetlink(7)). Another way out is not a substitute."""
    answer = inside(MADE_ANEW)
    assert answer["gone"] == {"elsewhere": [], "refused": 6}
    every = ["10.20.0.41", "239.255.1.44", "255.255.255.255"]
    assert answer["found"] == [every, every]


LISTED = """
import json, os, socket
from slotwatch import clock
from slotwatch.edge.routes.routing import DISCOVERY_EVERY_NS, Routing
from slotwatch.edge.shared import ring as rings
from slotwatch.edge.shared.ring import GUARD_ROWS, Ring
from slotwatch.house.schema import House, Network, Route
from slotwatch.house.service import Listen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.net.namespace import CABLE
from tests.patience import until
exec(CABLE)

def e131(number): return UniverseId(Protocol.E131, number)

watches = {}
for number, (name, far) in enumerate((("eth1", "sw"), ("eth2", "far")), 1):
    if name == "eth2":
        ip("link", "add", far, "type", "veth", "peer", "name", name)
        ip("address", "add", "10.30.0.9/24", "dev", name)
        ip("link", "set", name, "up")
        ip("link", "set", far, "up")
    watches[name] = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(0x0800))
    watches[name].bind((far, 0))
    watches[name].setblocking(False)
for address, name in (("10.20.0.41", "eth1"), ("10.30.0.41", "eth2")):
    ip("neighbour", "replace", address, "lladdr", "02:00:00:00:00:41", "dev", name, "nud", "permanent")
house = House(
    networks=(Network("A", "eth1"), Network("B", "eth2")),
    listen=Listen(interfaces=("eth1", "eth2"), e131_port=15568, artnet_port=16454),
    routes=(
        Route("here", e131(1), target=e131(301), to_network=0),
        Route("there", e131(2), target=e131(302), to_network=1, to_address="10.30.0.41"),
        Route("node", e131(1), target=UniverseId(Protocol.ARTNET, 3), to_network=1, to_address="10.30.0.41"),
    ),
)
rows = 4 * GUARD_ROWS
memory = rings.create_memory(rows)
routing = Routing(house, Ring(memory, rows, routes=True), b"slotwatch-tests0")
found = {name: [] for name in watches}

def heard():
    for name, watch in watches.items():
        while True:
            try:
                frame = watch.recv(2048)
            except BlockingIOError:
                break
            packet = frame[42:]
            if frame[23] == 17 and packet[4:13] == b"ASC-E1.17" and packet[18:22] == b"\\0\\0\\0\\x08":
                found[name].append([socket.inet_ntoa(frame[30:34]), packet[120:].hex()])
    return found

now_ns = clock.monotonic_ns()
turns = 0

def every_network_heard():
    global turns
    turns += 1
    routing.step(now_ns + turns * DISCOVERY_EVERY_NS)
    return all(heard().values())

until(every_network_heard)
print(json.dumps({name: sorted(map(tuple, {tuple(one) for one in seen})) for name, seen in found.items()}))
routing.close(clock.monotonic_ns())
os.close(memory)
"""


def test_a_discovery_list_names_what_its_own_network_gets() -> None:
    """ANSI E1.31-2018 4.3: it lists universes that the source transmits, from octet 120 on (section 8)."""
    answer = inside(LISTED)
    assert answer["eth1"] == [["239.255.250.214", "012d"]]
    assert answer["eth2"] == [["10.30.0.41", "012e"], ["239.255.250.214", "012e"]]


UNANSWERED = (
    DAEMON
    + """
file.write_text(file.read_text() + '''
[[routes]]
name = "node"
from = "e131/1"
to = "artnet/3"
to_address = "10.20.0.77"
''')
with ended(start(file, ports)) as daemon:
    desk("sw")
    lost = lambda: [i for i in daemon.get("/api/v1/incidents?state=all") or [] if i["rule"] == "route-output-lost"]
    until(lost)
    (first,) = lost()
    # The kernel has its device from now on.
    ip("neighbour", "replace", "10.20.0.77", "lladdr", "02:00:00:00:00:77", "dev", "eth1", "nud", "permanent")
    until(lambda: lost()[0]["state"] == "closed")
    print(json.dumps({"cause": first["cause"], "summary": first["summary"], "count": len(lost())}))
over.set()
"""
)


@pytest.mark.live
def test_a_route_to_an_address_that_no_device_has_is_reported() -> None:
    """The real kernel asks by ARP for each frame that is sent, and says that nobody answers (RFC 826)."""
    answer = inside(UNANSWERED)
    assert (answer["cause"], answer["count"]) == ("no-device", 1)
    assert answer["summary"] == ('Route "node" reaches no device: nothing answers at 10.20.0.77 on network eth1.')
