"""Numbers of the rules about the network that this listener hangs on."""

from __future__ import annotations

from slotwatch.house.schema import Receiver
from slotwatch.rehearse import packets
from slotwatch.wire.observation import NeighbourSeen, QuerierWatchSeen, QuerySeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.cases import END_S, FROM_S, Play, desk, see
from tests.judge.cases_control import HOUSE
from tests.judge.cases_listener import MACS, RECEIVER, claims, hub, moved_lead
from tests.judge.moved import Moved, has_cause, is_open, is_raised, plays, twice
from tests.judge.stage import Packet, Plain, house_of

RECEIVERS = house_of((1,), min_refresh_hz=5, receivers=(RECEIVER,))
NODES = house_of(
    (), artnet=(1,), min_refresh_hz=5, receivers=(Receiver("Node", "10.0.1.2", (UniverseId(Protocol.ARTNET, 1),)),)
)


def queries(*moments: tuple[float, str]) -> Play:
    return [desk(), *(see(t, QuerySeen, 0, querier, "igmp2", 10.0) for t, querier in moments)]


def watched() -> Play:
    return [desk(), see(1.0, QuerierWatchSeen, 0, True)]


def another_querier() -> Play:
    return queries((2.0, "10.0.0.254"), (FROM_S, "10.0.0.253"))


def answers_until(end_s: float) -> Play:
    return [
        desk(),
        see(1.0, NeighbourSeen, 0, "10.0.1.1", MACS[0], True),
        see(FROM_S, NeighbourSeen, 0, "10.0.1.1", "", False),
        see(end_s, NeighbourSeen, 0, "10.0.1.1", MACS[0], True),
    ]


def polled_until(end_s: float) -> Play:
    """A node that answered once, and polls that continue for a time."""
    made = [Packet(1.1, packets.art_poll_reply("10.0.1.2", "Node", [1]), "10.0.1.2", "10.0.0.200", Protocol.ARTNET)]
    made += [Packet(1.0 + n, packets.art_poll(), "10.0.0.5", "10.0.0.255", Protocol.ARTNET) for n in range(int(end_s))]
    return [Plain(sorted(made, key=lambda packet: packet.t_s))]


def from_fallback() -> Play:
    return [desk(address="169.254.1.2", to_s=6.0)]


NETWORK = [
    # Over after 20 s, and its off-delay follows.
    Moved(
        "neighbour-changed",
        "shown_s",
        20.0,
        plays(HOUSE, *twice(lambda: moved_lead(60.0)), (40.0, 32.0)),
        is_open,
    ),
    Moved("two-neighbours", "turns", 1, plays(HOUSE, lambda: hub(0), lambda: hub(1), 8.0)),
    Moved(
        "querier-absent",
        "silence_s",
        20.0,
        plays(HOUSE, *twice(lambda: queries((FROM_S, "10.0.0.254"))), (23.8, 24.5)),
    ),
    Moved("querier-absent", "never_s", 20.0, plays(HOUSE, *twice(watched), (20.8, 21.5))),
    # Shown for 20 s, and its off-delay follows.
    Moved(
        "querier-changed",
        "shown_s",
        20.0,
        plays(HOUSE, *twice(another_querier), (FROM_S + 32.5, FROM_S + 28.5)),
        is_open,
    ),
    Moved(
        "querier-changed",
        "duel_s",
        5.0,
        plays(
            HOUSE,
            lambda: queries((2.0, "10.0.0.254"), (3.0, "10.0.0.253"), (10.0, "10.0.0.254")),
            lambda: queries((2.0, "10.0.0.254"), (7.0, "10.0.0.253"), (10.0, "10.0.0.254")),
            12.0,
        ),
        has_cause("duel"),
    ),
    # Its last packet came at 6 s; the off-delay follows.
    Moved("fallback-address", "fresh_s", 10.0, plays(HOUSE, *twice(from_fallback), (28.5, 24.5)), is_open),
    # Contested last at FROM_S; the off-delay of a minute follows.
    Moved(
        "duplicate-address",
        "window_s",
        20.0,
        plays(HOUSE, *twice(lambda: claims(True)), (FROM_S + 82.5, FROM_S + 78.5)),
        is_open,
    ),
    Moved(
        "receiver-silent",
        "silence_s",
        10.0,
        plays(RECEIVERS, lambda: answers_until(FROM_S + 9.8), lambda: answers_until(END_S), FROM_S + 12.0),
        is_raised,
    ),
    # Nobody polls from 5 s on; its silence counts from 21 s.
    Moved(
        "receiver-silent",
        "polled_s",
        18.0,
        plays(NODES, lambda: polled_until(3), lambda: polled_until(5), 24.0),
        is_raised,
    ),
]
