"""Sequences of hostile traffic through the whole engine, beside a healthy desk, with what must hold whatever comes.

    python -m tests.fuzz.sequences [SECONDS [FIRST]]

One show is a few seconds of quiet, some attacks one after the other (each a few hundred to thousands of packets, mixed
with the desk's own), then minutes of quiet. Shows are made from a number, so each can be run again.
Packets are put together from the byte tables of the standards (`tests.model.packets`), nothing of the decoder's.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable, Iterator

from slotwatch.edge.shared.compiled import Compiled, load
from slotwatch.engine import Engine
from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Network, Phase
from slotwatch.judge.neighbours import MOST_CONTESTED, MOST_NEIGHBOURS
from slotwatch.judge.ports import MOST_PER_NETWORK
from slotwatch.model.columns import MAX_STREAMS
from slotwatch.snapshot.encoding import to_parts
from slotwatch.wire.observation import (
    AddressSeen,
    ClockStepSeen,
    DropsSeen,
    MembershipSeen,
    NeighbourSeen,
    Observation,
    PortSeen,
    StallSeen,
)
from slotwatch.wire.universe import Protocol, UniverseId
from tests.fuzz.bounds import hold_bounds
from tests.model.packets import (
    MS,
    SECOND,
    START,
    Sent,
    artnet,
    artnet_poll_reply,
    artnet_sync,
    batch_of,
    e131,
    e131_discovery,
    e131_sync,
)

DESK = b"\x42" * 16
UNIVERSES = (1, 2, 3)
DESK_MS = 50
QUIET_S = 330
"""Longer than any rule takes to close: that a source stopped sending per-address priority is shown for 300 s."""
HOUSE = House(
    networks=(Network("lo", "lo"),),
    phase=Phase.SHOW,
    universes=tuple(DeclaredUniverse(UniverseId(Protocol.E131, number), sources=("desk",)) for number in UNIVERSES),
    sources=(DeclaredSource("desk", cid=DESK, address="10.0.0.1"),),
)
Attack = Callable[[random.Random, int], Iterator[Sent | Observation]]


def _address(chance: random.Random) -> str:
    return f"10.{chance.randrange(1, 255)}.{chance.randrange(256)}.{chance.randrange(1, 255)}"


def invented_senders(chance: random.Random, at_ns: int) -> Iterator[Sent]:
    """New identities, each once or a few times, on any universes or on the desk's."""
    on, again, every_ns = chance.choice([UNIVERSES, (7,), range(1, 63_999)]), chance.choice([1, 1, 2, 5]), 100_000
    for index in range(chance.randrange(500, 6000)):
        source = random.Random(f"{at_ns}/{index // again}").randbytes(16)
        name = chance.choice([b"x", b"Desk A", b"\xff" * 64])
        packet = e131(b"\xff" * 8, universe=chance.choice(on), source=source, sequence=index % again, name=name)
        yield Sent(at_ns + index * every_ns, packet, _address(chance))


def in_the_desks_name(chance: random.Random, at_ns: int) -> Iterator[Sent]:
    """The desk's own identity and address: ends, previews, any numbers, any levels, any priority."""
    address = chance.choice(["10.0.0.1", "10.0.0.1", "10.66.6.6"])
    for index in range(chance.randrange(1, 400)):
        packet = e131(
            chance.randbytes(chance.choice([0, 1, 512])),
            universe=chance.choice(UNIVERSES),
            source=DESK,
            sequence=chance.randrange(256),
            priority=chance.randrange(201),
            options=chance.choice([0, 0x40, 0x80, 0xC0, 0x20]),
            start_code=chance.choice([0, 0, 0xDD, 0xCC]),
        )
        yield Sent(at_ns + index * chance.randrange(1, 20) * MS, packet, address)


def broken_packets(chance: random.Random, at_ns: int) -> Iterator[Sent]:
    """Packets of every kind with some bytes changed, cut or grown; from a few addresses or from new ones."""
    whole = [
        e131(bytes(512), source=DESK),
        e131_discovery(range(1, 400)),
        e131_sync(7),
        artnet(bytes(512)),
        artnet_sync(),
        artnet_poll_reply("2.0.0.1"),
    ]
    few = [_address(chance) for _ in range(3)]
    for index in range(chance.randrange(200, 3000)):
        raw = bytearray(chance.choice(whole))
        for _ in range(chance.randrange(1, 6)):
            raw[chance.randrange(len(raw))] = chance.randrange(256)
        raw = raw[: chance.randrange(len(raw) + 1)] if chance.random() < 0.3 else raw + chance.randbytes(9)
        protocol = chance.choice([Protocol.E131, Protocol.ARTNET])
        sender = chance.choice(few) if chance.random() < 0.7 else _address(chance)
        yield Sent(at_ns + index * 200_000, bytes(raw), sender, protocol=protocol)


def statements(chance: random.Random, at_ns: int) -> Iterator[Sent]:
    """Discovery lists, sync packets, poll replies of senders that do not exist; lists change each time."""
    for index in range(chance.randrange(500, 6000)):
        source, address = chance.randbytes(16), _address(chance)
        kind = chance.randrange(4)
        if kind == 0:
            last = chance.randrange(256)
            packet = e131_discovery(
                sorted(chance.sample(range(1, 64_000), 20)), chance.randrange(last + 1), last, source
            )
        elif kind == 1:
            packet = e131_sync(chance.randrange(1, 64_000), source=source)
        else:
            packet = artnet_poll_reply(address, chance.randrange(256)) if kind == 2 else artnet_sync()
        protocol = Protocol.E131 if kind < 2 else Protocol.ARTNET
        yield Sent(at_ns + index * 150_000, packet, address, protocol=protocol)


def replayed(chance: random.Random, at_ns: int) -> Iterator[Sent]:
    """Each of the desk's packets some times more, early or late, from its own address."""
    for index in range(chance.randrange(50, 300)):
        at = at_ns + index * DESK_MS * MS // 3
        yield Sent(at, _desk_packet(UNIVERSES[index % 3], (at - START) // (DESK_MS * MS)), "10.0.0.1")


def statements_in_the_desks_name(chance: random.Random, at_ns: int) -> Iterator[Sent]:
    """Lists, sync packets, polls and poll replies as if of the desk: other universes, other pages, other addresses."""
    address = chance.choice(["10.0.0.1", "10.66.6.6"])
    for index in range(chance.randrange(20, 2000)):
        listed = chance.choice([(), UNIVERSES, (2,), range(1, 513), (7, 9)])
        packets = (
            (Protocol.E131, e131_discovery(listed, chance.randrange(2), chance.randrange(2), DESK)),
            (Protocol.E131, e131_sync(chance.choice([1, 7, 63_999]), chance.randrange(256), DESK)),
            (Protocol.ARTNET, artnet_sync()),
            (Protocol.ARTNET, b"Art-Net\0" + bytes((0, 0x20, 0, 14, chance.randrange(256), chance.randrange(256)))),
            (
                Protocol.ARTNET,
                artnet_poll_reply(address, chance.randrange(256), chance.choice([b"Desk A", b"\xff" * 17])),
            ),
        )
        protocol, packet = chance.choice(packets)
        yield Sent(at_ns + index * chance.choice([200_000, 20 * MS]), packet, address, protocol=protocol)


def beside_the_show(chance: random.Random, at_ns: int) -> Iterator[Observation]:
    """What is read beside packets of levels: memberships, ARP, neighbours and LLDP, of senders that do not exist."""
    for index in range(chance.randrange(200, 4000)):
        t_ns, address = at_ns + index * 500_000, chance.choice([_address(chance), "10.0.0.1"])
        mac = chance.randbytes(6).hex(":")
        group = f"239.255.{chance.randrange(256)}.{chance.randrange(256)}"
        yield chance.choice(
            (
                MembershipSeen(t_ns, 0, address, group, chance.random() < 0.5, "IGMPv2"),
                AddressSeen(t_ns, 0, address, mac),
                NeighbourSeen(t_ns, 0, address, mac, chance.random() < 0.5, t_ns),
                PortSeen(t_ns, 0, mac, chance.randbytes(3).hex(), chance.randrange(1, 121), system_name="x" * 200),
            )
        )


ATTACKS: tuple[Attack, ...] = (
    invented_senders,
    in_the_desks_name,
    broken_packets,
    statements,
    replayed,
    statements_in_the_desks_name,
    beside_the_show,
)


RAMP = bytes(range(256)) * 2


def _desk_packet(universe: int, frame: int) -> bytes:
    first = frame * 3 % 256
    levels = RAMP[first : first + 64] + bytes(448)
    return e131(levels, universe=universe, sequence=frame % 256, source=DESK)


def _desk(from_ns: int, to_ns: int) -> Iterator[Sent]:
    first = -(-(from_ns - START) // (DESK_MS * MS))
    for frame in range(first, -(-(to_ns - START) // (DESK_MS * MS))):
        for universe in UNIVERSES:
            yield Sent(START + frame * DESK_MS * MS + universe * 1000, _desk_packet(universe, frame), "10.0.0.1")


class Show:
    """One show, and what must hold throughout."""

    def __init__(self, number: int, compiled: Compiled | None) -> None:
        """number: what it is made from. compiled: None leaves all packets to numpy."""
        self.chance = random.Random(number)
        self.engine = Engine(HOUSE, now_ns=START, wall_offset_ns=0, compiled=compiled)
        self.now_ns = START
        self.opened = 0

    def run(self) -> None:
        """AssertionError where something does not hold; any other exception is the engine's own fault."""
        self._pass([], START + 8 * SECOND)
        for _ in range(self.chance.randrange(1, 5)):
            attack = self.chance.choice(ATTACKS)
            sent = list(attack(self.chance, self.now_ns + MS))
            self._pass(sent, max(one.t_ns for one in sent) + self.chance.choice([1, 500, 4000]) * MS)
            if self.chance.random() < 0.3:
                self._observe()
        for _ in range(QUIET_S // 5):
            self._pass([], self.now_ns + 5 * SECOND, 400 * MS)
        snapshot = self.engine.snapshot(self.now_ns)
        still_open = [
            f"{incident.rule}: {incident.summary}" for incident in snapshot.incidents if incident.closed_ns is None
        ]
        assert not still_open, f"open though its cause ended: {still_open}"
        streams = self.engine.model.streams
        assert sorted(streams.number[: streams.top][streams.live[: streams.top]].tolist()) == list(UNIVERSES)

    def _observe(self) -> None:
        self.engine.observe(
            self.chance.choice(
                (
                    DropsSeen(self.now_ns, self.chance.randrange(9), self.chance.randrange(9)),
                    StallSeen(self.now_ns, self.chance.randrange(3 * SECOND)),
                    ClockStepSeen(self.now_ns, self.chance.choice([-1, 1]) * self.chance.randrange(1, 90) * SECOND),
                )
            )
        )

    def _pass(self, hostile: list[Sent | Observation], to_ns: int, step_ns: int = 50 * MS) -> None:
        """Feed it all in order, in batches of any size, a tick each so often."""
        sent = sorted([*hostile, *_desk(self.now_ns, to_ns)], key=lambda one: one.t_ns)
        at = 0
        while self.now_ns < to_ns:
            self.now_ns = min(to_ns, self.now_ns + step_ns)
            end = at
            while end < len(sent) and sent[end].t_ns <= self.now_ns:
                end += 1
            while at < end:
                some = sent[at : min(end, at + self.chance.choice([1, 7, 64, 500]))]
                at += len(some)
                for one in some:
                    if not isinstance(one, Sent):
                        self.engine.observe(one)
                self.engine.ingest(batch_of([one for one in some if isinstance(one, Sent)]))
            self.engine.tick(self.now_ns)
            self._hold()
        to_parts(self.engine.snapshot(self.now_ns))
        sources = self.engine.model.sources
        assert sources.lists.running == sum(one is not None and one.row.listed is not None for one in sources.about)

    def _hold(self) -> None:
        model = self.engine.model
        assert self.engine.now_ns == self.now_ns == model.now_ns, "time is the one that is passed in"
        hold_bounds(model)
        assert model.universes.filled <= len(UNIVERSES) + MAX_STREAMS
        listener = self.engine.judge.listener
        assert len(listener.neighbours.by_address) <= MOST_NEIGHBOURS
        assert len(listener.neighbours.contested) <= MOST_CONTESTED
        assert len(listener.ports.now(0, self.now_ns)) <= MOST_PER_NETWORK
        for event in self.engine.take_events():
            self.opened += event.what == "opened"
        assert self.opened <= 60, "a person reads this"


def main(seconds: float, first: int = 1) -> int:
    """Play shows from this number on until the time is over."""
    ends, number = time.monotonic() + seconds, first
    while time.monotonic() < ends:
        try:
            Show(number, load() if number % 2 else None).run()
        except Exception as error:
            print(f"show {number}: {type(error).__name__}: {error}", file=sys.stderr)
            raise
        number += 1
    print(f"{number - first} shows of hostile traffic: everything held")
    return 0


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0, int(sys.argv[2]) if len(sys.argv) > 2 else 1))
