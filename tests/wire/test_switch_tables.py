"""Walks of a switch's MIB as values. Object names, indexes and codes are those of the RFCs named beside them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slotwatch.wire.switch_tables import (
    CHANGES,
    COUNTERS,
    FORWARDING,
    NAMES,
    OFTEN,
    SCALARS,
    SELDOM,
    Walks,
    read_switch,
)

EVERY = SCALARS | OFTEN | CHANGES | COUNTERS | NAMES | FORWARDING | SELDOM
MAC = (0x02, 0, 0, 0, 0, 0x10)
SCALAR = (((), 123_456),)

PLAIN: dict[str, object] = {
    "sysUpTime": SCALAR,
    "sysName": (((), b"FOH"),),
    # IF-MIB (RFC 2863): ethernetCsmacd is 6, softwareLoopback 24; ifOperStatus up is 1, down 2; ifLastChange in ticks.
    "ifType": (((1,), 24), ((2,), 6), ((3,), 117)),
    "ifOperStatus": (((1,), 1), ((2,), 1), ((3,), 2)),
    "ifLastChange": (((2,), 0), ((3,), 123_056)),
    "ifName": (((2,), b"24"), ((3,), b"3")),
    "ifAlias": (((3,), b" Stage left\x00 box 3 "),),
    "ifHighSpeed": (((2,), 1000), ((3,), 0)),
    "ifInErrors": (((2,), 5),),
    "ifOutErrors": (((2,), 2),),
    "ifInDiscards": (((2,), 1),),
    # EtherLike-MIB (RFC 3635): halfDuplex is 2, fullDuplex 3.
    "dot3StatsDuplexStatus": (((2,), 2), ((3,), 3)),
}


def test_ports_are_its_ethernet_interfaces_with_their_state() -> None:
    state = read_switch(PLAIN, True)  # type: ignore[arg-type]
    assert state is not None
    assert (state.system_name, state.uptime_ticks, state.host_uptime_ticks) == ("FOH", 123_456, None)
    two, three = state.ports
    assert (two.index, two.name, two.up, two.speed_mbps, two.half_duplex) == (2, "24", True, 1000, True)
    assert (two.errors, two.discards, two.changed_s) == (7, 1, None), "0 is before its own restart (RFC 2863)"
    assert (three.name, three.description, three.up, three.half_duplex) == ("3", "Stage left box 3", False, False)
    assert (three.speed_mbps, three.errors, three.changed_s) == (None, None, 4.0)


def test_a_change_while_it_was_asked_is_now() -> None:
    """The up time is read before the ports: a port may have changed since."""
    walks = PLAIN | {"ifLastChange": (((3,), 123_500),)}
    state = read_switch(walks, False)  # type: ignore[arg-type]
    assert state is not None and state.ports[1].changed_s == 0.0


def test_device_addresses_are_found_by_both_bridge_mibs() -> None:
    """BRIDGE-MIB (RFC 4188) has bridge ports, which are no ifIndex; Q-BRIDGE-MIB (RFC 4363) puts the VLAN before."""
    walks = PLAIN | {
        "dot1dBasePortIfIndex": (((1,), 2), ((7,), 3)),
        "dot1dTpFdbPort": ((MAC, 7), ((2, 0, 0, 0, 0, 1), 0)),
        "dot1qTpFdbPort": (((20, *MAC), 1), ((20, 2, 0, 0, 0, 0, 300), 1)),
    }
    state = read_switch(walks, True)  # type: ignore[arg-type]
    assert state is not None and state.tables is not None
    assert state.tables.macs == (("02:00:00:00:00:10", 2),), "0 is not learnt, 300 no octet; with VLANs first"


def test_neighbours_are_laid_on_the_ports_of_the_interface_table() -> None:
    """IEEE 802.1AB-2005 12: lldpRemEntry is indexed by time mark, local port number, index; the local table gives the
    port's name (subtype 5: interface name). Chassis subtype 4 is a device address."""
    walks = PLAIN | {
        "lldpLocChassisIdSubtype": (((0,), 4),),
        "lldpLocChassisId": (((0,), bytes(MAC)),),
        "lldpLocPortIdSubtype": (((101,), 5),),
        "lldpLocPortId": (((101,), b"24"),),
        "lldpRemChassisIdSubtype": (((0, 101, 1), 4),),
        "lldpRemChassisId": (((0, 101, 1), bytes((2, 0, 0, 0, 0, 9))), ((0, 3, 2), b"\x05")),
        "lldpRemPortIdSubtype": (((0, 101, 1), 5),),
        "lldpRemPortId": (((0, 101, 1), b"1"),),
        "lldpRemSysName": (((0, 101, 1), b"Stage"),),
    }
    state = read_switch(walks, True)  # type: ignore[arg-type]
    assert state is not None and state.tables is not None
    assert state.tables.chassis == "02:00:00:00:00:10"
    (found,) = state.tables.neighbours
    assert (found.port, found.chassis, found.remote_port, found.system_name) == (2, "02:00:00:00:00:09", "1", "Stage")


def test_addresses_groups_querier_and_power() -> None:
    """RFC 4293 (ipNetToMedia: ifIndex and address), RFC 2933 (igmpCache: group and ifIndex), RFC 3621 (group and port;
    3 is delivering power)."""
    walks = PLAIN | {
        "ipNetToMediaPhysAddress": (((2, 10, 20, 0, 10), bytes(MAC)), ((2, 10, 20, 0, 11), b"")),
        "igmpCacheSelf": (((239, 255, 0, 1, 2), 2),),
        "igmpInterfaceQuerier": (((1,), bytes(4)), ((2,), bytes((10, 20, 0, 1)))),
        "pethPsePortDetectionStatus": (((1, 2), 3), ((1, 3), 5)),
    }
    state = read_switch(walks, True)  # type: ignore[arg-type]
    assert state is not None and state.tables is not None
    assert state.tables.addresses == (("10.20.0.10", "02:00:00:00:00:10"),)
    assert (state.tables.groups, state.tables.querier) == ((("239.255.0.1", 2),), "10.20.0.1")
    assert state.tables.queriers == ((2, "10.20.0.1"),)
    assert [port.power for port in state.ports] == ["delivering", ""]
    assert state.tables.offers == ("addresses", "groups", "power")


def test_an_answer_without_the_up_time_counts_as_none() -> None:
    assert read_switch({name: rows for name, rows in PLAIN.items() if name != "sysUpTime"}, True) is None  # type: ignore[arg-type]


VALUES = st.one_of(st.integers(-(2**33), 2**65), st.binary(max_size=20))
INDEXES = st.lists(st.integers(0, 2**32), max_size=9).map(tuple)
ROWS = st.lists(st.tuples(INDEXES, VALUES), max_size=5)


@given(walks=st.dictionaries(st.sampled_from(list(EVERY)), ROWS))
def test_any_walk_at_all_is_read_or_left_out(walks: Walks) -> None:
    read_switch({"sysUpTime": SCALAR, **walks}, True)


@pytest.mark.parametrize("name", EVERY)
def test_every_object_is_read_only_and_numeric(name: str) -> None:
    text = EVERY[name]
    assert all(part.isdigit() for part in text.split("."))
