"""LLDPDUs as tshark reads them, and octets that are none. Frames are laid out from IEEE 802.1AB-2016 8.4 and 8.5."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slotwatch.wire.lldp import Announcement, read_lldp
from tests.wire import tshark


def tlv(kind: int, value: bytes) -> bytes:
    return struct.pack(">H", kind << 9 | len(value)) + value


CHASSIS, PORT, TTL = tlv(1, b"\x04\x02\x00\x00\x00\x00\x01"), tlv(2, b"\x0514"), tlv(3, b"\x00\x78")
MANAGEMENT = tlv(8, b"\x05\x01\x0a\x14\x00\x02\x02\x00\x00\x00\x0e\x00")
VLAN = tlv(127, b"\x00\x80\xc2\x01\x00\x14")
FULL = (
    CHASSIS
    + PORT
    + TTL
    + tlv(4, b"Stage left, box 3")
    + tlv(5, b"FOH")
    + tlv(6, b"A switch of the rehearsal")
    + MANAGEMENT
    + VLAN
    + b"\0\0"
)


def pcap(pdu: bytes) -> bytes:
    frame = bytes.fromhex("0180c200000e020000000001") + b"\x88\xcc" + pdu
    head = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1)
    return head + struct.pack("<IIII", 1, 0, len(frame), len(frame)) + frame


def test_a_full_announcement_is_read_as_tshark_reads_it() -> None:
    fields = ("lldp.chassis.id.mac", "lldp.port.id", "lldp.time_to_live", "lldp.port.desc", "lldp.tlv.system.name")
    fields += ("lldp.tlv.system.desc", "lldp.mgn.addr.ip4", "lldp.ieee.802_1.port_vlan.id")
    (theirs,) = tshark.rows(pcap(FULL), "lldp", *fields)
    ours = read_lldp(FULL)
    assert ours is not None
    own_values = (ours.chassis, ours.port, ours.ttl_s, ours.port_description, ours.system_name, ours.system_description)
    assert [str(one) for one in (*own_values, ours.management_address, ours.vlan)] == theirs


@pytest.mark.parametrize(
    "port, wanted", [(b"\x03\x02\x00\x00\x00\x00\x09", "02:00:00:00:00:09"), (b"\x07g1/14", "g1/14")]
)
def test_a_port_is_a_device_address_or_text(port: bytes, wanted: str) -> None:
    found = read_lldp(CHASSIS + tlv(2, port) + TTL)
    assert found == Announcement("02:00:00:00:00:01", wanted, 120)


def test_a_port_that_is_shut_down_says_so() -> None:
    found = read_lldp(CHASSIS + PORT + tlv(3, b"\0\0") + b"\0\0")
    assert found is not None
    assert found.ttl_s == 0


@pytest.mark.parametrize("wrong", [b"", CHASSIS, PORT + CHASSIS + TTL, CHASSIS + PORT + tlv(3, b""), CHASSIS[:5]])
def test_what_does_not_begin_as_it_must_is_nothing(wrong: bytes) -> None:
    assert read_lldp(wrong) is None


@given(st.binary(max_size=1500))
def test_any_bytes_are_taken(octets: bytes) -> None:
    read_lldp(octets)
    read_lldp(CHASSIS + PORT + TTL + octets)
