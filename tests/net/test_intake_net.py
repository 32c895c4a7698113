"""Receiving on a cable of its own: carrier, renaming, unplugging, IGMP, all in a network namespace."""

from __future__ import annotations

import pytest

from tests.net.namespace import CABLE, inside

pytestmark = pytest.mark.net

PRELUDE = (
    CABLE
    + """
import json
from dataclasses import asdict, replace
from tests.edge.listening import house_on, listening
from tests.patience import PATIENCE_S, until

def from_the_switch(port, payload, group="239.255.0.7"):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, b"sw")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        send_groups_by(sock, "sw")
        sock.sendto(payload, (group, port))

def heard(ear, within_s=PATIENCE_S):
    rows = lambda: [
        (bytes(b.data[i, :b.length[i]]).decode(), int(b.network[i])) for b in ear.read() for i in range(len(b))
    ]
    return until(rows, within_s)

def awaited(ear, **wanted):
    # The kernel tells of a cable in its own time and in several messages: the first that says what is awaited.
    def matching():
        ear.follow()
        rows = ear.links()
        found = (row for row in rows if all(getattr(row, name) == value for name, value in wanted.items()))
        return next((asdict(row) for row in found), None)
    return until(matching)

house = house_on("eth1", universes=range(7, 8))
"""
)


def test_multicast_and_broadcast_from_the_cable_are_heard_with_their_network() -> None:
    answer = inside(
        PRELUDE
        + """
with listening(house) as ear:
    from_the_switch(house.listen.e131_port, b"group")
    one = heard(ear)
    from_the_switch(house.listen.e131_port, b"foreign", "239.255.0.8")
    from_the_switch(house.listen.artnet_port, b"all", "10.20.0.255")
    two = heard(ear)
print(json.dumps({"one": one, "two": two}))
"""
    )
    assert answer["one"] == [["group", 0]]
    # The group that was not joined did not come; broadcast did.
    assert answer["two"] == [["all", 0]]


def test_a_pulled_cable_is_reported_and_a_plugged_one_is_joined_afresh() -> None:
    """The report that a switch needs goes out again: counted on the switch's end."""
    answer = inside(
        PRELUDE
        + """
with listening(house) as ear:
    ear.links()
    held = ear.intake.joins.holder_of(socket.if_nametoindex("eth1"), False).groups[7]
    ip("link", "set", "sw", "down")
    down = awaited(ear, network=0, up=False)
    ip("link", "set", "sw", "up")
    switch = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(0x0800))
    switch.bind(("sw", 0x0800))
    switch.settimeout(PATIENCE_S)
    up = awaited(ear, network=0, up=True)
    fresh = ear.intake.joins.holder_of(socket.if_nametoindex("eth1"), False).groups[7] is not held
    def is_reported():
        packet = switch.recv(2048)
        return packet[9] == 2 and socket.inet_aton("239.255.0.7") in packet
    reported = until(is_reported)
    from_the_switch(house.listen.e131_port, b"back")
    print(json.dumps({"down": down, "up": up, "fresh": fresh, "reported": reported, "rows": heard(ear)}))
"""
    )
    assert (answer["down"]["up"], answer["down"]["present"]) == (False, True)
    assert (answer["up"]["up"], answer["up"]["interface"]) == (True, "eth1")
    assert answer["up"]["addresses"][0] == "10.20.0.9"
    assert answer["fresh"]
    assert answer["reported"]
    assert answer["rows"] == [["back", 0]]


def test_a_renamed_interface_is_followed() -> None:
    answer = inside(
        PRELUDE
        + """
with listening(house) as ear:
    ip("link", "set", "eth1", "down")
    ip("link", "set", "eth1", "name", "show0")
    ip("link", "set", "show0", "up")
    seen = awaited(ear, interface="show0", up=True)
    def still_heard():
        from_the_switch(house.listen.e131_port, b"still here")
        try:
            return heard(ear, 1.0)
        except AssertionError:
            return None  # lost: the link has only just come up
    print(json.dumps({"seen": seen, "rows": until(still_heard)}))
"""
    )
    assert (answer["seen"]["interface"], answer["seen"]["up"], answer["seen"]["present"]) == ("show0", True, True)
    assert answer["rows"] == [["still here", 0]]


def test_an_adapter_that_is_unplugged_and_comes_back_is_heard_again_and_others_are_not_disturbed() -> None:
    answer = inside(
        PRELUDE
        + """
ip("link", "add", "sw2", "type", "veth", "peer", "name", "eth2")
ip("address", "add", "10.30.0.9/24", "dev", "eth2")
ip("link", "set", "eth2", "up")
ip("link", "set", "sw2", "up")
from slotwatch.house.schema import Network
house = replace(
    house,
    networks=(Network("A", "eth1"), Network("B", "eth2")),
    universes=tuple(replace(u, networks=(0, 1)) for u in house.universes),
)
with listening(house) as ear:
    kept = ear.intake.joins.holder_of(socket.if_nametoindex("eth2"), False).groups[7]
    ip("link", "delete", "eth1")
    gone = awaited(ear, network=0, present=False)
    ip("link", "add", "sw", "type", "veth", "peer", "name", "eth1")
    ip("address", "add", "10.20.0.10/32", "dev", "sw")
    ip("address", "add", "10.20.0.9/24", "dev", "eth1")
    ip("link", "set", "eth1", "up")
    ip("link", "set", "sw", "up")
    take_own("eth1", "sw")
    back = awaited(ear, network=0, present=True, up=True)
    from_the_switch(house.listen.e131_port, b"again")
    print(json.dumps({
        "gone": gone, "back": back,
        "kept": ear.intake.joins.holder_of(socket.if_nametoindex("eth2"), False).groups[7] is kept,
        "rows": heard(ear),
    }))
"""
    )
    assert answer["gone"]["present"] is False
    assert (answer["back"]["present"], answer["back"]["up"]) == (True, True)
    assert answer["kept"]
    assert answer["rows"] == [["again", 0]]


def test_packets_of_an_interface_that_is_gone_and_of_one_that_is_new_have_their_network() -> None:
    """Queued before it went, or come before that was read: otherwise a universe is in the list twice."""
    answer = inside(
        PRELUDE
        + """
def replugged():
    ip("link", "add", "sw", "type", "veth", "peer", "name", "eth1")
    ip("address", "add", "10.20.0.10/32", "dev", "sw")
    ip("address", "add", "10.20.0.9/24", "dev", "eth1")
    ip("link", "set", "eth1", "up")
    ip("link", "set", "sw", "up")
    take_own("eth1", "sw")

with listening(house) as ear:
    before = socket.if_nametoindex("eth1")
    from_the_switch(house.listen.e131_port, b"queued")
    ip("link", "delete", "eth1")
    awaited(ear, network=0, present=False)
    queued = heard(ear)
    replugged()
    from_the_switch(house.listen.artnet_port, b"first", "10.20.0.255")
    first = heard(ear)
    print(json.dumps({"queued": queued, "first": first, "same": socket.if_nametoindex("eth1") == before}))
"""
    )
    assert not answer["same"]
    assert answer["queued"] == [["queued", 0]]
    assert answer["first"] == [["first", 0]]


def test_a_missing_interface_is_refused_at_the_start_with_what_there_is() -> None:
    answer = inside(
        PRELUDE
        + """
from slotwatch.errors import EdgeError
try:
    with listening(house_on("eth7")):
        print(json.dumps({"line": ""}))
except EdgeError as error:
    print(json.dumps({"line": error.lines[0]}))
"""
    )
    assert answer["line"].startswith("interface eth7 does not exist (there are: eth1, lo, sw)")


def test_of_two_interfaces_one_may_be_missing_and_come_later() -> None:
    """An adapter that failed must not leave the other network without anybody who watches it."""
    answer = inside(
        PRELUDE
        + """
from slotwatch.errors import EdgeError
from slotwatch.house.schema import Network
def on(*names):
    return replace(house, networks=tuple(Network(name, name) for name in names))
both = on("eth1", "eth2")
with listening(both) as ear:
    watch = ear.intake.watch
    present = lambda: [one.present for one in watch.links(1)]
    before = present()
    from_the_switch(house.listen.e131_port, b"group")
    rows = heard(ear)
    ip("link", "add", "sw2", "type", "veth", "peer", "name", "eth2")
    ip("link", "set", "eth2", "up")
    until(lambda: watch.read() or all(present()))
    after = present()
    ip("link", "delete", "eth2")
    until(lambda: watch.read() or not all(present()))
    ear.intake.take_house(both)
    try:
        ear.intake.take_house(on("eth1", "eth9"))
        refused = ""
    except EdgeError as error:
        refused = error.lines[0]
print(json.dumps({"before": before, "rows": rows, "after": after, "refused": refused}))
"""
    )
    assert answer["before"] == [True, False]
    assert answer["rows"] == [["group", 0]]
    assert answer["after"] == [True, True]
    assert answer["refused"].startswith("interface eth9 does not exist"), "a new name that is wrong is a mistake"


WATCH = (
    PRELUDE
    + """
import select
from itertools import count
from slotwatch.edge.judging.igmp_in import LOOK_NS, MOST_A_LOOK, GroupWatch
watch = GroupWatch(house)
looks_ns = count(5, LOOK_NS)
watched = watch.read(set(), next(looks_ns))
sender = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
sender.bind(("sw", 0))
"""
)
"""Watches the interface for what is not levels, and sends octets into it from the other end."""


def test_igmp_and_mld_on_the_cable_are_heard_where_it_is_permitted() -> None:
    """A general query of IGMPv3 and one of MLDv2, composed by hand from RFC 9776 4.1 and RFC 9777 5.1."""
    answer = inside(
        WATCH
        + """
def checksum(data):
    total = sum(struct.unpack(f">{len(data) // 2}H", data))
    total = (total & 0xFFFF) + (total >> 16)
    return ~(total + (total >> 16)) & 0xFFFF
query = struct.pack(">BBH4sBBH", 0x11, 100, 0, bytes(4), 2, 125, 0)
query = query[:2] + struct.pack(">H", checksum(query)) + query[4:]
header = struct.pack(">BBHHHBBH4s4sI", 0x46, 0xC0, 24 + len(query), 1, 0, 1, 2, 0,
                     socket.inet_aton("10.20.0.1"), socket.inet_aton("224.0.0.1"), 0x94040000)
header = header[:10] + struct.pack(">H", checksum(header)) + header[12:]
sender.send(bytes.fromhex("01005e000001020000000001") + b"\\x08\\x00" + header + query)
mld = struct.pack(">BBHHH16sBBH", 130, 0, 0, 10000, 0, bytes(16), 2, 125, 0)
hop = struct.pack(">BB4sH", 58, 0, bytes.fromhex("05020000"), 0x0100)
six = struct.pack(">IHBB16s16s", 0x60000000, len(hop) + len(mld), 0, 1,
                  socket.inet_pton(socket.AF_INET6, "fe80::1"), socket.inet_pton(socket.AF_INET6, "ff02::1"))
sender.send(bytes.fromhex("333300000001020000000001") + b"\\x86\\xdd" + six + hop + mld)
# What is neither never reaches the program: the filter is in the kernel.
from_the_switch(house.listen.e131_port, b"data")
report = struct.pack(">BBHHHBBH4s", 0x22, 0, 0, 0, 1, 4, 0, 0, socket.inet_aton("239.255.0.9"))
report = report[:2] + struct.pack(">H", checksum(report)) + report[4:]
header = struct.pack(">BBHHHBBH4s4sI", 0x46, 0xC0, 24 + len(report), 2, 0, 1, 2, 0,
                     socket.inet_aton("10.20.0.41"), socket.inet_aton("224.0.0.22"), 0x94040000)
sender.send(bytes.fromhex("01005e000016020000000041") + b"\\x08\\x00" + header + report)
found = []
def is_all():
    found.extend(repr(one) for one in watch.read(set(), next(looks_ns)))
    return any("239.255.0.9" in one for one in found) and any("fe80::1" in one for one in found)
until(is_all)
watch.close()
print(json.dumps({"watched": [(s.watched, s.reason) for s in watched], "found": found}))
"""
    )
    assert answer["watched"] == [[True, ""]]
    found = " ".join(answer["found"])
    assert "network=0, querier='10.20.0.1', version='igmp3', max_response_s=10.0" in found
    assert "querier='fe80::1', version='mld2'" in found
    assert "network=0, host='10.20.0.41', group='239.255.0.9', joined=True" in found


REPORT = """
def report(host):
    message = struct.pack(">BBH4s", 0x16, 0, 0, bytes([239, 255, 0, 9]))
    words = sum(struct.unpack(">4H", message))
    message = message[:2] + struct.pack(">H", ~((words & 0xFFFF) + (words >> 16)) & 0xFFFF) + message[4:]
    head = struct.pack(">BBHHHBBH4s4s", 0x45, 0, 28, 1, 0, 1, 2, 0, socket.inet_aton(host), message[4:])
    return bytes.fromhex("01005e7f0009020000000041") + b"\\x08\\x00" + head + message
"""
"""A report as a packet, composed by hand from RFC 2236."""


def test_a_flood_of_reports_wakes_nobody_and_is_read_at_a_bounded_rate() -> None:
    """Anybody on the network can send reports at any rate. Looks come every 17 ms; reports wait at each."""
    answer = inside(
        WATCH
        + REPORT
        + """
sender.send(report("10.20.0.41"))
until(lambda: any("10.20.0.41" in repr(one) for one in watch.read(set(), next(looks_ns))))
begin_ns, looks = next(looks_ns), 59
heard = dropped = 0
for look in range(looks):
    for _ in range(2 * MOST_A_LOOK):
        sender.send(report("10.20.0.42"))
    seen = watch.read(set(), begin_ns + look * 17_000_000)
    heard += sum(type(one).__name__ == "MembershipSeen" for one in seen)
    dropped += sum(one.packets for one in seen if type(one).__name__ == "ReportsDropped")
woken = select.select(watch.fds(), [], [], 0)[0]
watch.close()
sent, most = looks * 2 * MOST_A_LOOK, MOST_A_LOOK * (1 + looks * 17_000_000 // LOOK_NS)
print(json.dumps({"heard": heard, "dropped": dropped, "sent": sent, "most": most, "woken": woken}))
"""
    )
    assert answer["woken"] == []
    assert 0 < answer["heard"] <= answer["most"]
    # All that came before the last look was read, dropped, or is left in the socket's buffer.
    assert answer["sent"] / 2 < answer["heard"] + answer["dropped"] <= answer["sent"]


def test_a_querier_is_heard_in_a_flood_of_reports() -> None:
    """Of what waits in one buffer the kernel drops most in a flood, so queries (RFC 2236 2) wait in another."""
    answer = inside(
        WATCH
        + REPORT
        + """
query = bytearray(report("10.20.0.1"))
query[34:42] = bytes.fromhex("1164ee9b00000000")
found = []
for _ in range(9):
    for _ in range(20 * MOST_A_LOOK):
        sender.send(report("10.20.0.42"))
    sender.send(query)
    found += [repr(one) for one in watch.read(set(), next(looks_ns))]
watch.close()
print(json.dumps([sum(name in one for one in found) for name in ("QuerySeen", "ReportsDropped")]))
"""
    )
    assert answer[0] == 9
    assert answer[1] > 0, "there was more than is read"


def test_a_flood_of_arp_is_counted_by_the_device_that_sends_it() -> None:
    """A few of them come from every house, and are not counted (RFC 826)."""
    answer = inside(
        WATCH
        + """
request = bytes(6 * [255]) + bytes.fromhex("020000000041080600010800060400010200000000410a14002a0000000000000a140002")
found = []
def counted():
    return [one for one in watch.read(set(), next(looks_ns)) if type(one).__name__ == "ArpCounted"]
for _ in range(5):
    sender.send(request)
few = counted()
sent = 20 * MOST_A_LOOK
for _ in range(sent):
    sender.send(request)
many = counted() + counted() + counted()
watch.close()
senders = sorted({name for one in many for name in one.senders})
print(json.dumps([len(few), senders, sum(sum(one.senders.values()) + one.unread for one in many), sent]))
"""
    )
    few, senders, counted, sent = answer
    assert (few, senders) == (0, ["02:00:00:00:00:41"])
    assert sent / 2 < counted <= sent + 5


def test_drops_of_a_flood_of_other_kinds_are_not_told_of_a_report_that_comes_after_it() -> None:
    """Requests for addresses (RFC 826) share the socket with reports, and anybody may send them at any rate."""
    answer = inside(
        WATCH
        + REPORT
        + """
def request(host):
    sender_of_it = bytes.fromhex("020000000041") + socket.inet_aton(host)
    head = bytes(6 * [255]) + sender_of_it[:6] + bytes.fromhex("08060001080006040001")
    return head + sender_of_it + bytes(6) + socket.inet_aton("10.20.0.2")
found = []
def is_heard(host):
    found.extend(repr(one) for one in watch.read(set(), next(looks_ns)))
    return any(host in one for one in found)
for _ in range(5000):
    sender.send(request("10.20.0.42"))
until(lambda: sender.send(request("10.20.0.43")) and is_heard("10.20.0.43"))
sender.send(report("10.20.0.44"))
until(lambda: is_heard("10.20.0.44"))
watch.close()
print(json.dumps(found))
"""
    )
    assert [one for one in answer if "ReportsDropped" in one] == []


def test_no_querier_is_waited_for_on_loopback() -> None:
    """No switch is there: that none is heard would be reported for ever."""
    answer = inside(
        PRELUDE
        + """
from slotwatch.edge.judging.igmp_in import GroupWatch
from slotwatch.house.schema import Network
watch = GroupWatch(replace(house, networks=(Network("one", "eth1"), Network("own", "lo"))))
print(json.dumps([one.network for one in watch.read(set(), 5)]))
watch.close()
"""
    )
    assert answer == [0]


def test_an_interface_that_comes_later_is_heard_and_one_that_goes_keeps_nobody_awake() -> None:
    """Whoever waits asks once for what to wait for. A descriptor that is closed later would be ready at all times."""
    answer = inside(
        PRELUDE
        + REPORT
        + """
import select
from itertools import count
from slotwatch.edge.judging.igmp_in import LOOK_NS, GroupWatch
from slotwatch.house.schema import Network
watch = GroupWatch(replace(house, networks=(Network("one", "eth1"), Network("two", "eth2"))))
poll, looks_ns = select.poll(), count(5, LOOK_NS)
for fd in watch.fds():
    poll.register(fd, select.POLLIN)
def look():
    return [repr(one) for one in watch.read({fd for fd, _ in poll.poll(0)}, next(looks_ns))]
look()
ip("link", "add", "sw2", "type", "veth", "peer", "name", "eth2")
ip("link", "set", "eth2", "up")
ip("link", "set", "sw2", "up")
until(lambda: any("network=1, watched=True" in one for one in look()))
sender = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
sender.bind(("sw2", 0))
def is_heard():
    sender.send(report("10.20.0.43"))
    return any("network=1, host='10.20.0.43'" in one for one in look())
is_heard = until(is_heard)
sender.close()
ip("link", "delete", "eth2")
until(lambda: poll.poll(0))
until(lambda: not look() and not poll.poll(0))
watch.close()
print(json.dumps({"is_heard": is_heard}))
"""
    )
    assert answer["is_heard"] is True


def test_discovery_and_polls_tell_the_device_address_of_their_sender() -> None:
    """E1.31 discovery (ANSI E1.31-2018 8), ArtPoll and ArtPollReply (Art-Net 4), laid out by hand.

    Their Ethernet source is the sender's own port, unless a router passed them on (RFC 1812 5.2.1).
    """
    answer = inside(
        WATCH
        + """
def send(last, source, group, payload, fragment=0, options=b""):
    udp = struct.pack(">HHHH", 5568, 6454, 8 + len(payload), 0) + payload
    head = struct.pack(">BBHHHBBH4s4s", 0x45 + len(options) // 4, 0, 20 + len(options) + len(udp), 1, fragment, 8, 17,
                       0, socket.inet_aton(source), socket.inet_aton(group)) + options
    sender.send(bytes.fromhex("ffffffffffff0200000000") + bytes([last]) + b"\\x08\\x00" + head + udp)
art = lambda code: b"Art-Net\\x00" + struct.pack("<H", code) + bytes(8)
def acn(root, framing):
    return struct.pack(">HH12s", 16, 0, b"ASC-E1.17") + bytes(2) + struct.pack(">I18xI", root, framing) + bytes(82)
send(0x50, "10.20.0.50", "239.255.0.1", acn(4, 2))  # levels: far too many to look at
send(0x54, "10.20.0.54", "239.255.0.1", acn(8, 1))  # synchronization, too
send(0x51, "10.20.0.51", "10.20.0.255", art(0x5000))
send(0x52, "10.20.0.52", "239.255.250.214", acn(8, 2), fragment=20)
send(0x53, "10.77.0.53", "239.255.250.214", acn(8, 2))  # from behind a router
send(0x60, "10.20.0.60", "239.255.250.214", acn(8, 2))
send(0x63, "10.20.0.63", "255.255.255.255", acn(8, 2))  # some libraries broadcast it
send(0x61, "10.20.0.61", "10.20.0.255", art(0x2000), options=bytes(4))
send(0x62, "10.20.0.62", "10.20.0.255", art(0x2100))
found = {}
def is_all():
    seen = watch.read(set(), next(looks_ns))
    found.update({one.address: one.mac for one in seen if type(one).__name__ == "AddressSeen"})
    return "10.20.0.62" in found
until(is_all)
watch.close()
print(json.dumps(found))
"""
    )
    assert answer == {f"10.20.0.{n}": f"02:00:00:00:00:{n}" for n in (60, 61, 62, 63)}


def test_the_switchs_announcement_on_the_cable_is_heard() -> None:
    """An LLDPDU laid out by hand from IEEE 802.1AB-2016 8.5; tests/wire has the same octets as tshark reads them."""
    answer = inside(
        WATCH
        + """
from tests.wire.test_lldp import FULL
sender.send(bytes.fromhex("0180c200000e020000000001") + b"\\x88\\xb5" + FULL)
sender.send(bytes.fromhex("0180c200000e020000000001") + b"\\x88\\xcc" + FULL)
found = []
def is_there():
    found.extend(repr(one) for one in watch.read(set(), next(looks_ns)))
    return any("PortSeen" in one for one in found)
until(is_there)
watch.close()
print(json.dumps({"found": found}))
"""
    )
    (port,) = [one for one in answer["found"] if "PortSeen" in one]
    assert "port='14'" in port
    assert "system_name='FOH'" in port


def test_host_names_the_switch_port_that_it_hears() -> None:
    """The same LLDPDU, for the command that checks a computer; it ends once each lead has named its port."""
    answer = inside(
        CABLE
        + """
import json, sys, threading
from tests.wire.test_lldp import FULL
sender = socket.socket(socket.AF_PACKET, socket.SOCK_RAW)
sender.bind(("sw", 0))
over = threading.Event()
def announce():
    while not over.wait(0.2):
        sender.send(bytes.fromhex("0180c200000e020000000001") + b"\\x88\\xcc" + FULL)
threading.Thread(target=announce, daemon=True).start()
import tempfile, pathlib
file = pathlib.Path(tempfile.mkdtemp()) / "house.toml"
file.write_text('[house]\\nname = "T"\\n[listen]\\ninterfaces = ["eth1"]\\n')
words = [sys.executable, "-m", "slotwatch.cli", "host", "--json", "-c", str(file)]
heard = subprocess.run([*words, "--listen", "60"], capture_output=True, text=True)
asked = subprocess.run(words, capture_output=True, text=True)
over.set()
print(json.dumps({"heard": json.loads(heard.stdout), "asked": json.loads(asked.stdout)}))
"""
    )
    heard = {one["what"]: one["text"] for one in answer["heard"]["findings"]}
    assert heard["switch port of eth1"].startswith("port 14") and heard["switch port of eth1"].endswith("of switch FOH")
    asked = {one["what"]: one["text"] for one in answer["asked"]["findings"]}
    assert "slotwatch host --listen 35" in asked["switch port"]


def test_neighbours_of_the_house_are_reported_as_the_kernel_has_them() -> None:
    answer = inside(
        PRELUDE
        + """
from slotwatch.edge.judging.neighbours import NeighbourWatch
watch = NeighbourWatch(house)
watch.read(set(watch.fds()), 1)
ip("neighbour", "add", "10.20.0.41", "lladdr", "02:00:00:00:00:41", "dev", "eth1", "nud", "reachable")
pick = lambda rows: [[r.network, r.address, r.mac, r.reachable] for r in rows if r.address == "10.20.0.41"]
new = until(lambda: pick(watch.read(set(watch.fds()), 2)))
ip("neighbour", "del", "10.20.0.41", "dev", "eth1")
gone = until(lambda: pick(watch.read(set(watch.fds()), 3)))
print(json.dumps({"new": new, "gone": gone}))
"""
    )
    assert answer["new"][-1] == [0, "10.20.0.41", "02:00:00:00:00:41", True]
    assert answer["gone"][-1] == [0, "10.20.0.41", "", False]
