"""The whole daemon behind a bad path: random loss, doubled and overtaken frames, a snooping bridge whose querier went.

The kernel here has no netem, so a small relay between two cables delays and doubles; loss is nftables' own.
"""

from __future__ import annotations

import shutil

import pytest

from tests.net.namespace import DAEMON, inside, require_namespaces

pytestmark = pytest.mark.net

TOOLS = """
def opened(daemon, rule):
    return next((i for i in daemon.get("/api/v1/incidents?state=all") or [] if i["rule"] == rule), None)

def alive(daemon):
    return all(daemon.universe(f"e131/{n}").get("state") in HEARD for n in (1, 2))

def hardware(name):
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW) as sock:
        sock.bind((name, 0))
        return sock.getsockname()[4]

def relay(cables, treat):
    ends = []
    for name in cables:
        end = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
        end.bind((name, 0))
        ends.append(end)
    def run():
        while not over.is_set():
            frame, where = ends[0].recvfrom(2048)
            if frame[12:14] == b"\\x08\\x00" and frame[23] == 17:
                at = 14 + 4 * (frame[14] & 15) + 6
                frame = frame[:at] + bytes(2) + frame[at + 2:]  # the cable's checksum was never finished; 0 is "none"
            if where[2] != socket.PACKET_OUTGOING:
                for out in treat(frame):
                    ends[1].send(out)
    threading.Thread(target=run, daemon=True).start()

def two_cables():
    # desk -- far | relay | sw -- eth1
    ip("link", "add", "desk", "type", "veth", "peer", "name", "far")
    ip("address", "del", "10.20.0.10/32", "dev", "sw")
    ip("address", "add", "10.20.0.10/32", "dev", "desk")
    for name in ("desk", "far"):
        ip("link", "set", name, "up")
    take_own("desk", "far")
"""


def run(program: str) -> dict[str, object]:
    return inside(DAEMON + TOOLS + program)


def test_random_loss_is_packet_loss_and_nobody_is_called_gone() -> None:
    """5 % of all packets dropped by the kernel's own filter: over 1 % and 5 or more in 10 s."""
    require_namespaces()
    if shutil.which("nft") is None:
        pytest.skip("nft is missing: sudo apt-get install nftables")
    answer = run(
        """
desk("sw")
rules_text = f'''table ip path {{
  chain in {{ type filter hook input priority 0; udp dport {ports.e131} numgen random mod 100 < 5 drop; }}
}}'''
with ended(start(file, ports)) as daemon:
    until(lambda: alive(daemon))
    before = rules(daemon, "all")
    subprocess.run(["nft", "-f", "-"], input=rules_text, text=True, check=True)
    loss = until(lambda: opened(daemon, "packet-loss"))
    daemon.judges_for(5)
    over.set()
    print(json.dumps({"before": before, "loss": loss, "all": rules(daemon, "all")}))
"""
    )
    assert "packet-loss" not in answer["before"]
    loss = answer["loss"]
    assert isinstance(loss, dict)
    assert set(loss["universes"]) <= {"e131/1", "e131/2"}
    assert not {"universe-lost", "host-overrun", "link-down"} & set(answer["all"]), answer["all"]


def test_doubled_packets_are_copies_and_neither_loss_nor_disorder() -> None:
    """A path that doubles every second frame within 10 ms (a mirror of both directions, a loop)."""
    answer = run(
        """
two_cables()
count = 0
def doubled(frame):
    global count
    count += 1
    return [frame, frame] if count % 2 else [frame]
relay(("far", "sw"), doubled)
desk("desk")
with ended(start(file, ports)) as daemon:
    copies = until(lambda: opened(daemon, "repeated-packets"))
    over.set()
    print(json.dumps({"copies": copies, "all": rules(daemon, "all")}))
"""
    )
    assert isinstance(answer["copies"], dict)
    assert answer["copies"]["severity"] == "warning"
    assert not {"packet-loss", "out-of-order", "source-conflict", "duplicate-identity"} & set(answer["all"])


def test_a_snooping_bridge_without_its_querier_is_reported_from_a_dead_desk() -> None:
    """RFC 4541: a querier was heard, then none: the bridge forgets who listens, groups stop and unicast continues."""
    answer = run(
        """
ip("link", "add", "br0", "type", "bridge", "mcast_snooping", "1", "mcast_querier", "0",
   "mcast_membership_interval", "800", "mcast_querier_interval", "25500")
ip("link", "add", "desk", "type", "veth", "peer", "name", "far")
ip("address", "del", "10.20.0.10/32", "dev", "sw")
ip("address", "add", "10.20.0.10/24", "dev", "desk")
for name in ("far", "sw"):
    ip("link", "set", name, "master", "br0")
for name in ("br0", "desk", "far"):
    ip("link", "set", name, "up")
take_own("br0", "desk", "far")
text = file.read_text().replace("[[universes]]", '[[universes]]\\nprotocol = "e131"\\nnumber = 9\\n\\n[[universes]]', 1)
file.write_text(text)

raw = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
raw.bind(("desk", 0))
mac, own = hardware("eth1"), hardware("desk")

def whole(head):
    total = sum(struct.unpack(f">{len(head) // 2}H", head)); total = (total & 0xFFFF) + (total >> 16)
    return head[:10] + struct.pack(">H", ~total & 0xFFFF) + head[12:]

def unicast(frame):
    octets = packet(9, frame)
    udp = struct.pack(">HHHH", 5000, ports.e131, 8 + len(octets), 0) + octets
    head = struct.pack(">BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), 0, 0, 64, 17, 0,
                       socket.inet_aton("10.20.0.10"), socket.inet_aton("10.20.0.9"))
    raw.send(mac + own + b"\\x08\\x00" + whole(head) + udp)

def one_query():
    # An IGMPv2 general query (RFC 2236) of a router that is never heard again.
    igmp = bytes([0x11, 10]) + struct.pack(">H", ~((0x11 << 8) | 10) & 0xFFFF) + bytes(4)
    head = struct.pack(">BBHHHBBH4s4s", 0x46, 0xC0, 32, 0, 0, 1, 2, 0,
                       socket.inet_aton("10.20.0.10"), socket.inet_aton("224.0.0.1")) + b"\\x94\\x04\\0\\0"
    raw.send(bytes.fromhex("01005e000001") + own + b"\\x08\\x00" + whole(head) + igmp)

desk("desk", unicast)
with ended(start(file, ports)) as daemon:
    until(lambda: alive(daemon) and daemon.universe("e131/9").get("frames"))
    one_query()
    # A host reports a join twice, the second time up to 10 s later (RFC 2236, 8.10): so far apart may two groups end.
    until(lambda: len((opened(daemon, "universe-lost") or {"universes": []})["universes"]) == 2)
    daemon.judges_for(3)
    lost = opened(daemon, "universe-lost")
    over.set()
    print(json.dumps({"lost": lost, "all": rules(daemon, "all")}))
"""
    )
    lost = answer["lost"]
    assert isinstance(lost, dict)
    assert sorted(lost["universes"]) == ["e131/1", "e131/2"], lost
    assert lost["cause"] == "multicast-lost", lost
    assert "source-absent" not in answer["all"]
