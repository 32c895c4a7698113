"""The table of nodes whose poll replies list other outputs than the house declares for them.

The replies are laid out by hand, by the offsets of Art-Net 4's ArtPollReply: NetSwitch 18, SubSwitch 19, NumPorts 172,
PortTypes 174 (bit 7: it outputs), GoodOutput 182 (bit 0: it takes E1.31), SwOut 190 (low nibble), MAC 201, BindIp 207,
BindIndex 211. Of ArtPoll: ProtVer 10, Flags 12 (bit 5: it asks for some port-addresses only), their bounds from 14 on.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

from slotwatch.house.schema import House, Receiver
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import FROM_S, Case, Play
from tests.judge.moved import Moved, plays
from tests.judge.stage import Node, Packet, Plain, house_of

ADDRESS = "10.0.1.2"
EVERY_S = 2.5
"""How often a controller polls (Art-Net 4, ArtPoll: every 2.5 to 3 s)."""
UNTIL_S = 70.0
Listed = Callable[[float], list[bytes]]
"""The replies of one poll at a time."""


def poll(flags: int) -> bytes:
    """One poll, 18 octets. Its bounds are port-addresses 5 to 5."""
    return b"Art-Net\0" + struct.pack("<H", 0x2000) + struct.pack(">HBBHH", 14, flags, 0x10, 5, 5)


def reply(
    *outputs: int,
    index: int = 1,
    net: int = 0,
    sub_net: int = 0,
    good_output: int = 0x80,
    kind: int = 0x80,
    address: tuple[int, int, int, int] = (10, 0, 1, 2),
    mac: bytes = bytes(6),
) -> bytes:
    """One reply, 239 octets: `outputs` are low nibbles."""
    packet = bytearray(239)
    packet[0:10] = b"Art-Net\0" + struct.pack("<H", 0x2100)
    packet[10:14] = bytes(address)
    packet[14:16] = struct.pack("<H", 6454)
    packet[18:20] = bytes((net, sub_net))
    packet[26:31] = b"Tower"
    packet[172:174] = struct.pack(">H", len(outputs))
    packet[174 : 174 + len(outputs)] = bytes([kind]) * len(outputs)
    packet[182 : 182 + len(outputs)] = bytes([good_output]) * len(outputs)
    packet[190 : 190 + len(outputs)] = bytes(outputs)
    packet[201:207] = mac
    packet[207:211] = bytes(address)
    packet[211] = index
    return bytes(packet)


def replies(listed: Listed, from_s: float = FROM_S, until_s: float = UNTIL_S) -> Play:
    """A node that answers every poll from a time on, and the universes that it should output."""
    made, t_s = [], from_s
    while t_s < until_s:
        made += [Packet(t_s + n * 0.1, one, ADDRESS, "10.0.0.5", Protocol.ARTNET) for n, one in enumerate(listed(t_s))]
        t_s += EVERY_S
    return [Node((3, 4), to_s=until_s), Plain(made)]


def of(*universes: int) -> House:
    receiver = Receiver("Tower node", ADDRESS, tuple(UniverseId(Protocol.ARTNET, one) for one in universes))
    return house_of((), artnet=(3, 4), receivers=(receiver,), min_refresh_hz=0.1)


def wrong(to_s: float, from_s: float = FROM_S, begins_s: float = FROM_S) -> Play:
    return replies(lambda t_s: [reply(5 if from_s <= t_s < to_s else 3)], begins_s)


CASES = [
    Case(
        "receiver-differs",
        of(3),
        # The reply of 24 s is the first one 20 s after the node's first.
        lambda: wrong(24.0),
        lambda: wrong(39.0),
        (20.0, 21.1),
        label="from its start on",
        end_s=39.0,
        closes_s=(9.0, 11.2),
        sentence='Receiver "Tower node" (10.0.1.2) should output artnet/3. Its poll replies list artnet/5 instead.',
    ),
    Case(
        "receiver-differs",
        of(3),
        # The last right reply comes at 1.5 s; the one of 24 s is the first that is more than 20 s after it.
        lambda: wrong(24.0, begins_s=1.5),
        lambda: wrong(41.5, begins_s=1.5),
        (20.0, 21.1),
        label="changed",
        end_s=41.5,
        closes_s=(9.0, 11.2),
    ),
]

MOVED = [
    Moved("receiver-differs", "hold_s", 25.0, plays(of(3), lambda: wrong(29.0), lambda: wrong(31.5), 34.0)),
]
