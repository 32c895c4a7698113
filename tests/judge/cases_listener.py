"""The table of what this listener says of itself, of the network it hangs on, and of too much of something."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.house.schema import DeclaredUniverse, Limits, Network, Receiver
from slotwatch.wire.observation import (
    AddressSeen,
    DropsSeen,
    JoinSeen,
    LinkSeen,
    NeighbourSeen,
    PortSeen,
    QuerySeen,
    RouteSeen,
    RoutesSeen,
    StallSeen,
)
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import END_S, FROM_S, Case, desk, lost_between, see
from tests.judge.stage import Packet, Plain, e131, group_of, house_of

HOUSE = house_of((1,), min_refresh_hz=5)
RECEIVER = Receiver("Rack 1", "10.0.1.1", (UniverseId(Protocol.E131, 1),))
MACS = ("02:00:00:00:00:01", "02:00:00:00:00:02")
OWN_BOTH = (0, True, ("10.0.0.200", "fe80::1"), "eth1")
OWN = (0, True, ("10.0.0.200",), "eth1")


def rubbish(count: int, senders: int = 1) -> Plain:
    """Packets of no protocol, ten a second from FROM_S on, from each of these senders as many."""
    made = [
        Packet(FROM_S + n / 10, b"no packet of this port at all", f"10.0.0.{66 + sender}", "10.0.0.200")
        for n in range(count)
        for sender in range(senders)
    ]
    return Plain(made)


def polls(per_second: int, lasts_s: float = END_S - FROM_S) -> Plain:
    """This many Art-Net polls (14 octets, opcode 0x2000) a second of one machine, evenly from FROM_S on."""
    poll = b"Art-Net\0\0\x20\0\x0e\x06\x10"
    times = [FROM_S + n / per_second for n in range(round(per_second * lasts_s))]
    return Plain([Packet(t_s, poll, "10.0.0.66", "255.255.255.255", Protocol.ARTNET) for t_s in times])


def damaged(from_s: float, lasts_s: float, count: int) -> list[tuple[float, object]]:
    """This many packets with a wrong checksum each half second, after 500 of before."""
    return [see(from_s + n / 2, DropsSeen, 0, 0, 500 + count * (n + 1)) for n in range(round(lasts_s * 2) + 1)]


def crowd(count: int) -> Plain:
    """This many senders on one universe, each with one packet a second until END_S; the last one comes at FROM_S."""
    made = []
    for number in range(count):
        cid = number.to_bytes(2, "big") * 8
        start = FROM_S if number == count - 1 else 0.5 + number / 100
        for second in range(round(END_S - start)):
            data = e131(1, second, bytes(24), cid=cid, priority=100 if number else 101)
            made.append(Packet(start + second, data, f"10.0.2.{number}", group_of(1)))
    return Plain(sorted(made, key=lambda packet: packet.t_s))


def newcomers(count: int, within_s: float) -> Plain:
    """This many senders, evenly from 7 s on, each with one packet on a universe of its own."""
    made = []
    for number in range(count):
        data = e131(number + 10, 0, bytes(24), cid=number.to_bytes(2, "big") * 8)
        made.append(Packet(7.0 + number * within_s / count, data, f"10.0.2.{number % 256}", group_of(number + 10)))
    return Plain(made)


def claims(swap_back: bool, *, overheard: bool = False) -> list[tuple[float, object]]:
    """An address that goes to another device, and back to the first or not: a device that was replaced."""
    later = MACS[0] if swap_back else MACS[1]
    seen = ((2.0, MACS[0]), (3.0, MACS[1]), (FROM_S, later))
    if overheard:
        return [see(t, AddressSeen, 0, "10.0.0.7", mac) for t, mac in seen]
    return [see(t, NeighbourSeen, 0, "10.0.0.7", mac, True) for t, mac in seen]


def announced(*spans: tuple[str, str, float, float]) -> list[tuple[float, object]]:
    """A switch and a port that are announced at this lead once a second, each in a span of time; it holds for 2 s."""
    return [
        see(from_s + n, PortSeen, 0, f"chassis of {switch}", port, 2, f"Box {port}", switch)
        for switch, port, from_s, to_s in spans
        for n in range(round(to_s - from_s))
    ]


def moved_lead(to_s: float) -> list[object]:
    """A lead that is put into another port of its switch for a time."""
    return [
        desk(),
        *announced(("FOH", "14", 1.0, FROM_S), ("FOH", "15", FROM_S + 0.1, to_s), ("FOH", "14", to_s + 0.1, 40.0)),
    ]


def hub(turns: int) -> list[object]:
    """A second switch that announces itself between the first one's, so often."""
    second = [("Stage", "7", FROM_S + 0.5 + n, FROM_S + 1.5 + n) for n in range(turns)]
    return [desk(), *announced(("FOH", "14", 1.0, 40.0), *second)]


TWO_NETWORKS = replace(
    house_of((1, 2), min_refresh_hz=5),
    networks=(Network("A", "eth1"), Network("B", "eth2")),
    universes=tuple(
        DeclaredUniverse(UniverseId(Protocol.E131, n + 1), limits=Limits(min_refresh_hz=5), networks=(n,))
        for n in range(2)
    ),
)


def swapped(to_s: float) -> list[object]:
    """A desk on each network, and both arrive on the other one for a time; the second follows in its numbers."""

    def part(number: int, network: int, from_s: float, to_s: float) -> object:
        numbers = {"sequence_of": lambda universe, index: index + round(from_s * 10)}
        return desk(number, (number,), network=network, from_s=from_s, to_s=to_s, **numbers)

    spans = ((0, 0.0, FROM_S), (1, FROM_S, to_s), (0, to_s, 1e9))
    return [part(n, (n - 1) ^ other, from_s, until_s) for n in (1, 2) for other, from_s, until_s in spans]


def with_one_at_home(until_s: float) -> list[object]:
    """The same, and a third desk that stays this long on the network on which it always was."""
    return [*swapped(END_S), desk(3, (3,), network=0, to_s=until_s)]


CASES = [
    Case(
        "networks-swapped",
        TWO_NETWORKS,
        # A universe at rest is kept alive every 1,000 ms at the latest (ANSI E1.31-2018 6.6.2): 1.4 s may be one lost.
        lambda: swapped(FROM_S + 1.4),
        lambda: swapped(END_S),
        # It takes the notes of undeclared universes over, which come a second after the change.
        (1.0, 1.8),
        closes_s=(2.9, 5.5),
        beside=frozenset({"undeclared-universe", "packet-loss"}),
    ),
    Case(
        "link-down",
        HOUSE,
        lambda: [desk(), see(FROM_S, LinkSeen, 0, True, ("10.0.0.201",), "eth1")],
        lambda: [
            desk(drop=lost_between(FROM_S, END_S)),
            see(FROM_S, LinkSeen, 0, False, (), "eth1"),
            see(END_S, LinkSeen, *OWN),
        ],
        (0.0, 0.1),
        closes_s=(2.9, 3.2),
    ),
    Case(
        "neighbour-changed",
        HOUSE,
        lambda: moved_lead(FROM_S + 4.1),  # the first switch's last word holds for 1 s of it
        lambda: moved_lead(END_S),
        # 1 s until the first switch's last word no longer holds, and 5 s of on-delay.
        (5.9, 7.2),
        closes_s=(9.9, 11.6),
    ),
    Case(
        "two-neighbours",
        HOUSE,
        lambda: hub(1),  # there and back
        lambda: hub(16),
        (1.0, 2.6),
        # The last four turns lie within 4 s for 2 s and more after the end.
        closes_s=(10.0, 14.6),
    ),
    # The card's own IPv6 address (RFC 4862 5.3) stays when its IPv4 address goes.
    Case(
        "link-down",
        HOUSE,
        lambda: [desk(), see(1.0, LinkSeen, *OWN_BOTH), see(FROM_S, LinkSeen, 0, True, ("10.0.0.200",), "eth1")],
        lambda: [
            desk(drop=lost_between(FROM_S, END_S)),
            see(1.0, LinkSeen, *OWN_BOTH),
            see(FROM_S, LinkSeen, 0, True, ("fe80::1",), "eth1"),
            see(END_S, LinkSeen, *OWN_BOTH),
        ],
        (0.0, 0.1),
        closes_s=(2.9, 3.2),
    ),
    Case(
        "host-overrun",
        HOUSE,
        lambda: [desk(), see(FROM_S, StallSeen, 999_000_000)],
        lambda: [desk(), *(see(FROM_S + n / 2, StallSeen, 1_000_000_000) for n in range(32))],
        (0.0, 0.1),
        "stalled for a second",
        closes_s=(9.9, 11.3),
    ),
    Case(
        "host-overrun",
        HOUSE,
        lambda: [desk(), see(1.0, DropsSeen, 500), see(FROM_S, DropsSeen, 500)],
        lambda: [desk(), see(1.0, DropsSeen, 500), *(see(FROM_S + n / 2, DropsSeen, 501 + n) for n in range(32))],
        (0.0, 0.1),
        "one packet dropped",
        closes_s=(9.9, 11.3),
    ),
    Case(
        "damaged-packets",
        HOUSE,
        lambda: [desk(), see(1.0, DropsSeen, 0, 0, 500), see(FROM_S, DropsSeen, 0, 0, 504)],
        lambda: [desk(), see(1.0, DropsSeen, 0, 0, 500), *damaged(FROM_S, 15.0, 5)],
        (0.0, 0.15),
        "five packets with a wrong checksum",
        # A window of 10 s runs out, and its off-delay of 10 s.
        closes_s=(18.9, 21.5),
    ),
    Case(
        "join-failed",
        HOUSE,
        lambda: [desk(), see(0.0, JoinSeen, 0, 1, True)],
        lambda: [desk(), see(FROM_S, JoinSeen, 0, 1, False, "no room."), see(END_S, JoinSeen, 0, 1, True)],
        (0.0, 0.15),
        closes_s=(0.0, 0.2),
        joined=False,
    ),
    Case(
        "querier-changed",
        HOUSE,
        lambda: [desk(), *(see(t, QuerySeen, 0, "10.0.0.254", "igmp2", 10.0) for t in (2.0, FROM_S))],
        lambda: [
            desk(),
            see(2.0, QuerySeen, 0, "10.0.0.254", "igmp2", 10.0),
            see(FROM_S, QuerySeen, 0, "10.0.0.253", "igmp2", 10.0),
        ],
        (0.0, 1.1),
        # It is shown for a minute after the change, and its off-delay follows.
        end_s=FROM_S,
        closes_s=(69.0, 71.3),
    ),
    Case(
        "flooded-groups",
        HOUSE,
        # A stream lives for 2.5 s after its last frame (E1.31 6.7.1): 7.3 s of frames are 9.8 s of flooding.
        lambda: [desk(), desk(2, (2,), from_s=FROM_S, to_s=FROM_S + 7.3)],
        lambda: [desk(), desk(2, (2,), from_s=FROM_S, to_s=END_S - 2.5)],
        (10.0, 11.2),
        "for ten seconds",
        closes_s=(9.0, 11.3),
        beside=frozenset({"undeclared-universe", "universe-lost"}),
    ),
    Case(
        "flooded-groups",
        HOUSE,
        lambda: [desk(), desk(2, (2,), from_s=FROM_S, dst=lambda universe: "10.0.0.200")],
        lambda: [desk(), desk(2, (2,), from_s=FROM_S, to_s=END_S - 2.5)],
        (10.0, 11.2),
        "in its own group",
        closes_s=(9.0, 11.3),
        beside=frozenset({"undeclared-universe", "universe-lost"}),
    ),
    *(
        Case(
            "fallback-address",
            HOUSE,
            lambda near=near: [desk(address=near)],  # type: ignore[misc]
            lambda: [
                desk(),
                see(FROM_S, NeighbourSeen, 0, "169.254.0.0", MACS[0], True),
                see(END_S, NeighbourSeen, 0, "169.254.0.0", "", False),
            ],
            (1.0, 3.1),
            f"of 169.254/16, and not {near}",
            closes_s=(9.0, 11.2),
        )
        for near in ("169.253.255.255", "169.255.0.0")
    ),
    *(
        Case(
            "duplicate-address",
            HOUSE,
            lambda overheard=overheard: [desk(), *claims(False, overheard=overheard)],
            lambda overheard=overheard: [desk(), *claims(True, overheard=overheard)],
            (0.0, 1.1),
            name,
            # Both were heard within a minute (RFC 5227), and its off-delay of a minute follows.
            end_s=FROM_S,
            closes_s=(118.9, 121.2),
        )
        for overheard, name in ((False, ""), (True, "its packets show it"))
    ),
    Case(
        "receiver-silent",
        house_of((1,), min_refresh_hz=5, receivers=(RECEIVER,)),
        lambda: [
            desk(),
            see(1.0, NeighbourSeen, 0, "10.0.1.1", MACS[0], True),
            see(FROM_S, NeighbourSeen, 0, "10.0.1.1", "", False),
            see(FROM_S + 19.8, NeighbourSeen, 0, "10.0.1.1", MACS[0], True),
        ],
        lambda: [
            desk(),
            see(1.0, NeighbourSeen, 0, "10.0.1.1", MACS[0], True),
            see(FROM_S, NeighbourSeen, 0, "10.0.1.1", "", False),
            see(30.0, NeighbourSeen, 0, "10.0.1.1", MACS[0], True),
        ],
        (20.0, 21.1),
        end_s=30.0,
        until_s=30.0,
        closes_s=(9.0, 11.2),
    ),
    Case(
        "malformed-packets",
        HOUSE,
        lambda: [desk(), rubbish(9)],
        lambda: [desk(), rubbish(160)],
        # The tenth comes 0.9 s after the first; those of the last 10 s count, and its off-delay follows.
        (0.9, 1.1),
        closes_s=(17.0, 20.4),
    ),
    Case(
        "packet-flood",
        HOUSE,
        lambda: [desk(), polls(1999)],
        lambda: [desk(), polls(2000)],
        # Three whole seconds; it holds until the first whole second after the flood is over.
        (3.0, 3.2),
        closes_s=(10.9, 11.3),
    ),
    Case(
        "too-many-sources",
        house_of((1,), min_refresh_hz=0.5, shared=True),
        lambda: [crowd(64)],
        lambda: [crowd(65)],
        (0.0, 0.2),
        # It holds for 10 s after the last one that was not kept, and its off-delay is a minute.
        closes_s=(66.0, 71.3),
        beside=frozenset({"universe-lost"}),
    ),
    Case(
        "route-loop",
        HOUSE,
        lambda: [desk(), see(FROM_S, RoutesSeen, (RouteSeen("tower", "running", "e131/112", "e131/12"),))],
        lambda: [
            desk(),
            see(
                FROM_S,
                RoutesSeen,
                (
                    RouteSeen("tower", "loop", "e131/112", "e131/12"),
                    RouteSeen("side", "idle", "e131/5", "e131/4"),
                ),
            ),
            see(END_S, RoutesSeen, (RouteSeen("tower", "running", "e131/112", "e131/12"),)),
        ],
        (0.0, 0.15),
    ),
]
