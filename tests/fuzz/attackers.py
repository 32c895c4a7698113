"""Attackers beside a show: each sends one kind of hostile traffic from one moment to another, drawn from a number.

Octets are laid out in `tests.judge.stage` and `tests.model.packets`, from the tables of the standards.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from slotwatch.wire.observation import ArpCounted, LineSeen, MembershipSeen, Observation
from slotwatch.wire.universe import Protocol
from tests.judge.stage import START_NS, Packet, S, artdmx, discovery, e131, e131_sync, group_of
from tests.model.packets import artnet_poll_reply

DESK_CID = b"\x42" * 16
DESK_ADDRESS = "10.0.0.1"
DESK_UNIVERSES = tuple(range(1, 9))
HERE = "10.0.0.200"
GROUP = "239.255.250.214"
"""Universe discovery, 64214 (ANSI E1.31-2018 4.3)."""
EVERYWHERE = "255.255.255.255"
POLL = b"Art-Net\0\0\x20\0\x0e\x06\x10"
"""Art-Net 4, ArtPoll: opcode 0x2000, version 14, flags, least severity."""
ADDRESS = b"Art-Net\0\0\x60\0\x0e" + bytes(95)
"""Art-Net 4, ArtAddress: opcode 0x6000. It is for nodes."""
LINE = 1


@dataclass
class Attack:
    """One attacker at work: kind, from when to when, how fast. Times in seconds from the start."""

    kind: str
    number: int
    from_s: float
    to_s: float
    hz: float
    made: list[Packet] = field(default_factory=list)
    seen: list[tuple[float, Observation]] = field(default_factory=list)

    def __post_init__(self) -> None:
        chance = random.Random(self.number)
        for n in range(round((self.to_s - self.from_s) * self.hz)):
            t_s = self.from_s + n / self.hz
            for one in KINDS[self.kind](chance, n, t_s, round(self.hz)):
                if isinstance(one, Packet):
                    self.made.append(one)
                else:
                    self.seen.append(((one.t_ns - START_NS) / S, one))

    def packets(self, end_s: float) -> Iterator[Packet]:
        return (packet for packet in self.made if packet.t_s < end_s)


Made = Iterator[Packet | Observation]


def _anyone(chance: random.Random) -> str:
    return f"10.{chance.randrange(30, 250)}.{chance.randrange(256)}.{chance.randrange(1, 255)}"


def small_packets(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    """One slot, from one source, 60 and more a second on each of its universes."""
    universe = 100 + n % 50
    data = e131(universe, n // 50 % 256, bytes(1), cid=b"\x09" * 16, name="Storm")
    yield Packet(t_s, data, "10.0.0.66", HERE)


def invented_senders(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    """A new identity and address for each packet, on the desk's universes and on any."""
    universe = chance.choice((chance.choice(DESK_UNIVERSES), chance.randrange(20, 30_000)))
    data = e131(universe, 0, bytes([n % 256]) * 24, cid=chance.randbytes(16), name="x")
    yield Packet(t_s, data, _anyone(chance), HERE)


def clones(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    """The desk's identity from hundreds of addresses."""
    universe, who = chance.choice(DESK_UNIVERSES), chance.randrange(600)
    data = e131(universe, n % 256, bytes([n % 256]) * 24, cid=DESK_CID, name="Desk A")
    yield Packet(t_s, data, f"10.9.{who >> 8}.{who & 255}", group_of(universe))


def discovery_lists(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    yield Packet(t_s, discovery((1, n % 60_000 + 2), cid=chance.randbytes(16), name="x"), _anyone(chance), GROUP)


def polls(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    yield Packet(t_s, POLL, _anyone(chance), EVERYWHERE, Protocol.ARTNET)


def poll_replies(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    address = _anyone(chance)
    yield Packet(t_s, artnet_poll_reply(address), address, HERE, Protocol.ARTNET)


def sync_packets(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    data = e131_sync(chance.randrange(1, 64_000), 0, cid=chance.randbytes(16))
    yield Packet(t_s, data, _anyone(chance), HERE)


def igmp_reports(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    at_ns = START_NS + round(t_s * S)
    yield MembershipSeen(at_ns, 0, _anyone(chance), group_of(chance.randrange(1, 60_000)), True, "igmp2")


def arp_packets(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    """The listener reads a part of them ten times a second, and counts the others."""
    if n % (hz // 10) == 0:
        devices = Counter(chance.randbytes(6).hex(":") for _ in range(200))
        yield ArpCounted(START_NS + round(t_s * S), 0, dict(devices), hz // 10 - 200)


def rubbish_of_one(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    """From one address, 50 a second."""
    if n % (hz // 50) == 0:
        data = e131(1, 0, bytes(512), cid=DESK_CID)[: chance.randrange(20, 120)]
        yield Packet(t_s, data, "10.0.0.67", HERE)


def rubbish_of_many(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    yield Packet(t_s, bytes(60), f"10.40.{chance.randrange(2)}.{chance.randrange(1, 255)}", HERE)


def rubbish_of_some(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    """From 300 addresses, 900 a second in all: no flood, but some 30 in 10 s from each."""
    if n % (hz // 900) == 0:
        who = chance.randrange(300)
        yield Packet(t_s, bytes(60), f"10.41.{who >> 8}.{who & 255}", HERE)


def ends_in_the_desks_name(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    """Ends and previews with any number, 100 a second, from the desk's own address."""
    if n % (hz // 100) == 0:
        options = chance.choice((0x40, 0x80, 0xC0))
        universe = chance.choice(DESK_UNIVERSES)
        data = e131(universe, chance.randrange(256), bytes(64), cid=DESK_CID, name="Desk A", options=options)
        yield Packet(t_s, data, DESK_ADDRESS, group_of(universe))


def a_second_desk_in_its_name(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    """The desk's identity, name and address: a series of its own, 25 frames a second on each universe, at another
    priority and with other levels."""
    if n % (hz // 200) == 0:
        turn, place = divmod(n // (hz // 200), len(DESK_UNIVERSES))
        universe = DESK_UNIVERSES[place]
        data = e131(universe, turn, bytes([turn % 256]) * 64, cid=DESK_CID, name="Desk A", priority=150)
        yield Packet(t_s, data, DESK_ADDRESS, group_of(universe))


def invented_universes(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    data = e131(chance.randrange(20, 64_000), n % 256, bytes(24), cid=b"\x0a" * 16, name="y")
    yield Packet(t_s, data, "10.0.0.68", HERE)


def commands(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    yield Packet(t_s, ADDRESS, _anyone(chance), EVERYWHERE, Protocol.ARTNET)


def invented_artnet(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    """Art-Net has no identity but the address."""
    yield Packet(t_s, artdmx(chance.randrange(1, 400), 0, bytes(24)), _anyone(chance), EVERYWHERE, Protocol.ARTNET)


def line_noise(chance: random.Random, n: int, t_s: float, hz: int) -> Made:
    """3,000 bytes with a framing fault each second. Counters are since the port was opened."""
    if n % hz == 0:
        yield LineSeen(START_NS + round(t_s * S), LINE, True, "", 3000 * round(t_s), 44 * round(t_s))


KINDS: dict[str, Callable[[random.Random, int, float, int], Made]] = {
    one.__name__: one
    for one in (
        small_packets,
        invented_senders,
        clones,
        discovery_lists,
        polls,
        poll_replies,
        sync_packets,
        igmp_reports,
        arp_packets,
        rubbish_of_one,
        rubbish_of_some,
        rubbish_of_many,
        ends_in_the_desks_name,
        a_second_desk_in_its_name,
        invented_universes,
        commands,
        invented_artnet,
        line_noise,
    )
}
