"""What this listener answers to Art-Net polls, read field by field at the places of the protocol's own table."""

from __future__ import annotations

from ipaddress import IPv4Address

from slotwatch.bridge.node import PollResponder, pages, poll_reply
from slotwatch.house.schema import DeclaredUniverse, House
from slotwatch.wire.universe import Protocol, UniverseId


def house(*numbers: int) -> House:
    return House(universes=tuple(DeclaredUniverse(UniverseId(Protocol.ARTNET, n)) for n in numbers))


def test_four_ports_a_reply_of_one_subnet() -> None:
    made = pages(house(0, 1, 2, 3, 4, 0x10, 0x123))
    assert [(p.net, p.subnet, p.universes) for p in made] == [
        (0, 0, (0, 1, 2, 3)),
        (0, 0, (4,)),
        (0, 1, (0,)),
        (1, 2, (3,)),
    ]


def test_other_protocols_and_resting_universes_are_not_asked_for() -> None:
    e131 = DeclaredUniverse(UniverseId(Protocol.E131, 1))
    resting = DeclaredUniverse(UniverseId(Protocol.ARTNET, 1), expected=False)
    assert pages(House(universes=(e131, resting))) == []


def test_reply_fields_are_at_their_places() -> None:
    """Offsets of the poll reply's table (standards: header little-endian, the rest big-endian)."""
    (page,) = pages(house(0x123, 0x125))
    reply = poll_reply(page, 2, IPv4Address("10.20.0.5"), bytes.fromhex("020000000001"), 7)
    assert len(reply) == 239
    assert reply[:10] == b"Art-Net\0\x00\x21"
    assert reply[10:16] == bytes([10, 20, 0, 5, 0x36, 0x19])
    assert (reply[18], reply[19]) == (1, 2)
    assert reply[172:174] == b"\0\2"
    assert reply[174:178] == b"\x80\x80\0\0"
    assert reply[190:194] == b"\3\5\0\0"
    assert reply[201:207].hex() == "020000000001"
    assert (reply[211], reply[212] & 8) == (2, 8)


def test_each_poller_is_answered_once_within_a_second() -> None:
    """A reply waits a random time of up to 1 s, and a poller that asks again meanwhile gets one answer."""
    node = PollResponder(pages(house(0, 1, 2, 3, 4)), IPv4Address("10.20.0.5"), b"")
    first, second = bytes(15) + b"\1", bytes(15) + b"\2"
    now = 123_456_789_123
    node.polled(first, now)
    node.polled(first, now + 1)
    node.polled(second, now + 7)
    due = node.next_ns()
    assert due is not None
    assert now <= due < now + 10**9
    answers = node.due(now + 10**9 + 7)
    assert [(who, packet[211]) for who, packet in answers] == [(first, 1), (first, 2), (second, 1), (second, 2)]
    assert node.next_ns() is None


def test_a_flood_of_polls_is_bounded() -> None:
    node = PollResponder(pages(house(1)), IPv4Address("10.20.0.5"), b"")
    for n in range(1000):
        node.polled(n.to_bytes(16, "big"), 10**12 + n)
    assert len(node.due(2 * 10**12)) == 64
    assert node.unanswered == 936
