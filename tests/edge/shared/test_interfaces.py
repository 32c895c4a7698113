"""Interfaces from rtnetlink messages laid out by rtnetlink(7), and which of them are the house's networks."""

from __future__ import annotations

import socket
import struct

import pytest

from slotwatch.edge.judging.neighbours import neighbour
from slotwatch.edge.shared import netlink
from slotwatch.edge.shared.interfaces import Interface, InterfaceTable, InterfaceWatch, read_interfaces
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House, Network

UP, LOWER_UP = 0x1, 0x10000


def attribute(kind: int, value: bytes) -> bytes:
    return struct.pack("=HH", 4 + len(value), kind) + value + bytes(-len(value) % 4)


def link(index: int, name: str, flags: int) -> bytes:
    return struct.pack("=BxHiII", socket.AF_UNSPEC, 1, index, flags, 0) + attribute(3, name.encode() + b"\0")


def address(index: int, text: str) -> bytes:
    family = socket.AF_INET6 if ":" in text else socket.AF_INET
    octets = socket.inet_pton(family, text)
    return struct.pack("=BBBBI", family, 24, 0, 0, index) + attribute(1, octets) + attribute(2, octets)


def test_a_link_comes_changes_and_goes() -> None:
    table = InterfaceTable()
    assert table.take(netlink.RTM_NEWLINK, link(5, "eth1", UP))
    assert not table.by_index[5].up, "administratively up, but without carrier"
    assert table.take(netlink.RTM_NEWLINK, link(5, "eth1", UP | LOWER_UP))
    assert table.by_index[5].up
    assert not table.take(netlink.RTM_NEWLINK, link(5, "eth1", UP | LOWER_UP)), "nothing new"
    assert table.take(netlink.RTM_NEWADDR, address(5, "10.20.0.9"))
    assert table.take(netlink.RTM_NEWADDR, address(5, "fe80::9"))
    assert table.by_index[5].addresses == ("10.20.0.9", "fe80::9")
    assert table.find("10.20.0.9") is table.by_index[5] is table.find("eth1")
    assert table.take(netlink.RTM_DELADDR, address(5, "10.20.0.9"))
    assert table.by_index[5].addresses == ("fe80::9",)
    assert table.take(netlink.RTM_DELLINK, link(5, "eth1", 0))
    assert table.find("eth1") is None


def test_an_address_of_an_unknown_link_is_nothing() -> None:
    assert not InterfaceTable().take(netlink.RTM_NEWADDR, address(9, "10.0.0.1"))


def test_messages_and_attributes_end_where_a_length_lies() -> None:
    good = struct.pack("=IHHII", 20, 16, 0, 0, 0) + b"body"
    assert list(netlink.messages(good + struct.pack("=IHHII", 3, 16, 0, 0, 0))) == [(16, b"body")]
    assert netlink.attributes(attribute(1, b"four") + struct.pack("=HH", 0, 2), 0) == {1: b"four"}


def test_this_computers_loopback_is_found() -> None:
    loopback = read_interfaces().find("lo")
    assert loopback is not None
    assert loopback.loopback
    assert "127.0.0.1" in loopback.addresses


def test_a_house_without_interfaces_listens_on_all_but_loopback() -> None:
    watch = InterfaceWatch(House())
    try:
        watch.table = InterfaceTable(
            {
                1: Interface(1, "lo", True, True),
                2: Interface(2, "eth1", True, False),
                3: Interface(3, "eth2", False, False),
            }
        )
        assert watch.networks_by_index() == {2: 0, 3: 0}
        assert [i.name for i in watch.joining(0)] == ["eth1"], "joined where it is up"
        watch.require_all()
    finally:
        watch.close()


def test_a_network_is_found_by_name_or_address_and_a_missing_one_is_named() -> None:
    watch = InterfaceWatch(House(networks=(Network("A", "127.0.0.1"), Network("B", "nowhere0"))))
    try:
        assert watch.networks_by_index() == {socket.if_nametoindex("lo"): 0}
        links = watch.links(7)
        assert [(seen.network, seen.present, seen.t_ns) for seen in links] == [(0, True, 7), (1, False, 7)]
        assert "127.0.0.0/8" in links[0].subnets and links[1].subnets == ()  # RFC 1122, 3.2.1.3
        with pytest.raises(EdgeError, match="interface nowhere0 does not exist"):
            watch.require_all()
    finally:
        watch.close()


@pytest.mark.parametrize(
    ("state", "mac", "reachable"),
    [
        # linux/neighbour.h: NUD_REACHABLE 2, NUD_STALE 4, NUD_FAILED 0x20, NUD_PERMANENT 0x80.
        (0x02, "02:00:00:00:00:41", True),
        (0x04, "02:00:00:00:00:41", False),
        (0x20, "", False),
        (0x80, "02:00:00:00:00:41", True),
    ],
)
def test_a_neighbour_is_reported_by_its_state(state: int, mac: str, reachable: bool) -> None:
    body = struct.pack("=B3xiHBB", socket.AF_INET, 5, state, 0, 0)
    body += attribute(1, socket.inet_aton("10.20.0.41")) + attribute(2, bytes.fromhex("020000000041"))
    seen = neighbour(netlink.RTM_NEWNEIGH, body, {5: 1}, 9)
    assert seen is not None
    assert (seen.network, seen.address, seen.mac, seen.reachable) == (1, "10.20.0.41", mac, reachable)
    assert neighbour(netlink.RTM_NEWNEIGH, body, {6: 1}, 9) is None, "an interface that is no network of the house"


def test_an_entry_that_goes_away_or_is_being_asked_for_says_nothing() -> None:
    """linux/neighbour.h: NUD_INCOMPLETE 1. Entries that nobody uses are dropped, and all of a link that goes down."""
    body = struct.pack("=B3xiHBB", socket.AF_INET, 5, 0x04, 0, 0) + attribute(1, socket.inet_aton("10.20.0.41"))
    assert neighbour(netlink.RTM_DELNEIGH, body, {5: 1}, 9) is None
    asking = struct.pack("=B3xiHBB", socket.AF_INET, 5, 0x01, 0, 0) + attribute(1, socket.inet_aton("10.20.0.41"))
    assert neighbour(netlink.RTM_NEWNEIGH, asking, {5: 1}, 9) is None


def test_a_neighbour_answered_when_the_kernel_says_so() -> None:
    """rtnetlink(7): NDA_CACHEINFO 3 begins with ndm_confirmed, in ticks of 1/100 s (USER_HZ)."""
    body = struct.pack("=B3xiHBB", socket.AF_INET, 5, 0x02, 0, 0) + attribute(1, socket.inet_aton("10.20.0.41"))
    body += attribute(2, bytes.fromhex("020000000041")) + attribute(3, struct.pack("=4I", 1250, 10, 1250, 1))
    seen = neighbour(netlink.RTM_NEWNEIGH, body, {5: 1}, 60_000_000_000)
    assert seen is not None
    assert (seen.t_ns, seen.answered_ns) == (60_000_000_000, 47_500_000_000)


def test_groups_are_no_neighbours() -> None:
    body = struct.pack("=B3xiHBB", socket.AF_INET, 5, 0x40, 0, 0) + attribute(1, socket.inet_aton("239.255.0.1"))
    assert neighbour(netlink.RTM_NEWNEIGH, body, {5: 0}, 9) is None
