"""Routes on a cable of their own: multicast to the right group, broadcast only where it was asked for."""

from __future__ import annotations

import pytest

from tests.net.namespace import inside

pytestmark = pytest.mark.net

PROGRAM = """
import json, socket, struct
from slotwatch.bridge.output import Target
from slotwatch.bridge.routes import Outgoing, What
from slotwatch.edge.routes.udp_out import Sender
from slotwatch.wire.universe import Protocol, UniverseId

watch = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(0x0800))
watch.bind(("sw", 0))
watch.settimeout(40)
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
