"""IGMP, MLD and ARP: against tshark's reading of captures that others made, and the RFCs' own figures."""

from __future__ import annotations

import struct
from ipaddress import ip_address

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slotwatch.wire import igmp, pcap
from slotwatch.wire.igmp import Membership, Query
from slotwatch.wire.observation import MembershipSeen, NeighbourSeen, QuerySeen
from tests.wire import tshark


@pytest.mark.tshark
@pytest.mark.parametrize(
    "name", ["igmp-v1-queries-reports.pcap", "igmp-v2-queries-reports.pcap", "igmp-v3-reports.pcap"]
)
def test_every_message_of_a_capture_reads_as_in_tshark(name: str) -> None:
    capture = (tshark.CAPTURES / name).read_bytes()
    # A v3 report's group has a field of its own. Each of the capture's v3 reports holds one record.
    wanted = tshark.rows(capture, "igmp", "ip.src", "igmp.version", "igmp.type", "igmp.maddr", "igmp.max_resp")
    found = []
    for _, t_ns, frame in pcap.read_all(capture):
        found += igmp.observations(frame[14:], t_ns, 0)
    kept = [row for row in wanted if not (row[2] == "0x11" and row[3] != "0.0.0.0")]
    assert len(found) == len(kept) > 0
    for seen, (host, version, kind, group, response) in zip(found, kept, strict=True):
        if isinstance(seen, QuerySeen):
            assert kind == "0x11" and (seen.querier, seen.version) == (host, f"igmp{version}")
            assert seen.max_response_s == (float(response) / 10 if response else 10.0)
        else:
            assert (seen.host, seen.group, seen.version) == (host, group, f"igmp{version}")
            assert seen.joined is (kind != "0x17")


def test_version_3_states_the_queriers_own_interval() -> None:
    """RFC 9776 4.1: Max Resp Code 100, QRV 2, QQIC 125; from 128 on codes are floating: 0x8a is 208."""
    general = bytes.fromhex("1164000000000000027d0000")
    assert igmp.read_igmp(general) == [Query("igmp3", "", 10.0, 125.0, 2)]
    assert igmp.read_igmp(bytes.fromhex("118a000000000000028a0000")) == [Query("igmp3", "", 20.8, 208.0, 2)]


def test_version_3_reports() -> None:
    """RFC 9776 4.2.12: excluding nothing is joining, including nothing is leaving."""
    group = ip_address("239.255.0.1").packed
    report = b"\x22\0\0\0\0\0\0\x03" + b"\x04\0\0\0" + group + b"\x03\0\0\0" + group
    report += b"\x01\x01\0\x02" + group + bytes(8) + bytes(4)
    assert igmp.read_igmp(report) == [
        Membership("igmp3", "239.255.0.1", True),
        Membership("igmp3", "239.255.0.1", False),
        Membership("igmp3", "239.255.0.1", True),
    ]


def test_a_report_that_claims_more_than_it_holds_ends_where_it_ends() -> None:
    group = ip_address("239.255.0.1").packed
    assert len(igmp.read_igmp(b"\x22\0\0\0\0\0\xff\xff" + b"\x04\0\0\0" + group)) == 1
    assert len(igmp.read_igmp(b"\x22\0\0\0\0\0\xff\xff" + b"\x04\xff\xff\xff" + group)) == 1
    assert len(igmp.read_igmp(b"\x22\0\0\0\0\0\xff\xff" + (b"\x04\0\0\0" + group) * 2000)) == igmp.MOST_RECORDS


def test_mld() -> None:
    """RFC 2710 3 and RFC 9777 5: codes are milliseconds; 0x8000 on is floating: 0x8fff is (0x1fff) << 3."""
    group = ip_address("ff18::8300:1").packed
    head = bytes(3) + b"\x27\x10\0\0"
    assert igmp.read_mld(b"\x82" + head + bytes(16)) == [Query("mld1", "", 10.0)]
    assert igmp.read_mld(b"\x82" + head + bytes(16) + b"\x02\x7d\0\0") == [Query("mld2", "", 10.0, 125.0, 2)]
    floating = igmp.read_mld(b"\x82" + bytes(3) + b"\x8f\xff\0\0" + bytes(16) + b"\x02\x7d\0\0")
    assert floating == [Query("mld2", "", 65.528, 125.0, 2)]
    assert igmp.read_mld(b"\x83" + bytes(7) + group) == [Membership("mld1", "ff18::8300:1", True)]
    assert igmp.read_mld(b"\x84" + bytes(7) + group) == [Membership("mld1", "ff18::8300:1", False)]
    report = b"\x8f" + bytes(6) + b"\x01" + b"\x04\0\0\0" + group
    assert igmp.read_mld(report) == [Membership("mld2", "ff18::8300:1", True)]
    assert igmp.read_mld(b"\x87" + bytes(30)) == []


def test_whole_packets_with_their_options() -> None:
    """RFC 2236 2: router alert in IPv4; RFC 2710 3: hop-by-hop options in IPv6."""
    message = bytes.fromhex("1164ee9b00000000")
    head = struct.pack(">BBHHHBBH", 0x46, 0, 32, 0, 0, 1, 2, 0) + ip_address("10.0.0.1").packed
    packet = head + ip_address("224.0.0.1").packed + b"\x94\x04\0\0" + message
    assert igmp.observations(packet + bytes(14), 7, 1) == [QuerySeen(7, 1, "10.0.0.1", "igmp2", 10.0, None)]
    body = b"\x3a\0\x05\x02\0\0\x01\0" + b"\x83" + bytes(7) + ip_address("ff18::8300:1").packed
    six = struct.pack(">IHBB", 6 << 28, len(body), 0, 1) + ip_address("fe80::1").packed + bytes(16) + body
    assert igmp.observations(six, 7, 1) == [MembershipSeen(7, 1, "fe80::1", "ff18::8300:1", True, "mld1")]


def test_a_message_with_a_wrong_checksum_is_no_message() -> None:
    """RFC 2236 2.3: the checksum is the complement of the 16-bit sum over the whole IP payload, checked first."""
    head = struct.pack(">BBHHHBBH", 0x45, 0, 28, 0, 0, 1, 2, 0) + ip_address("10.0.0.1").packed
    packet = head + ip_address("224.0.0.1").packed
    assert len(igmp.observations(packet + bytes.fromhex("1164ee9b00000000"), 7, 1)) == 1
    assert igmp.observations(packet + bytes.fromhex("1164ee9c00000000"), 7, 1) == []
    assert igmp.observations(packet + bytes.fromhex("1164000000000000"), 7, 1) == []


@given(st.binary(max_size=200))
def test_any_bytes_give_something_or_nothing(octets: bytes) -> None:
    for message in [*igmp.read_igmp(octets), *igmp.read_mld(octets)]:
        assert message.version
    igmp.observations(octets, 0, 0)
    for first in (0x45, 0x4F, 0x60):
        igmp.observations(bytes([first]) + octets, 0, 0)
    igmp.neighbour(octets, 0, 0)


def test_arp() -> None:
    """RFC 826: the sender's own addresses; RFC 5227: a probe has no address yet."""
    mac, address = bytes.fromhex("020000000001"), bytes((10, 0, 0, 1))
    packet = struct.pack(">HHBBH", 1, 0x0800, 6, 4, 1) + mac + address + bytes(6) + address
    assert igmp.neighbour(packet, 5, 0) == NeighbourSeen(5, 0, "10.0.0.1", "02:00:00:00:00:01", True)
    assert igmp.neighbour(packet[:14] + bytes(4) + packet[18:], 5, 0) is None
    assert igmp.neighbour(packet[:27], 5, 0) is None
