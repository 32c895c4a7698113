"""RDM against worked messages of ANSI E1.20 and messages that tshark decoded field by field."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slotwatch.wire import rdm
from slotwatch.wire.rdm import Message

# E1.20 table 6-6, its sum recomputed (the 2006 printing had errors).
TABLE_6_6 = bytes.fromhex("CC01191234567 89ABCCBA98765432100 01000000200030 0104".replace(" ", ""))
# Field-decoded by tshark 4.0.
GET_DEVICE_INFO = bytes.fromhex("cc011805e01234567805e0aabbccdd0701000000200060000759")
DEVICE_INFO_REPLY = bytes.fromhex(
    "cc012b05e01234567805e0aabbccdd07000000002100601301001234010101020304001b02030065000004085b"
)
# E1.20 7.5: by the rule as a public implementation states it, and computed by hand.
BRANCH_REPLY = bytes.fromhex("fefefefefefefeaaaf55eaf5ba57be75fe57fa7daf57fbf7")
BRANCH_REPLY_2 = bytes.fromhex("aaba57be75fe57fa7dbadfbefdaa5dee75")

SOURCE = bytes.fromhex("05e0aabbccdd")
DEVICE = bytes.fromhex("05e012345678")


def test_checksum_of_table_6_6() -> None:
    assert len(TABLE_6_6) == 25
    assert rdm.checksum(TABLE_6_6) == 0x066A
    assert rdm.checksum(TABLE_6_6[:16] + b"\0" + TABLE_6_6[17:]) == 0x0669


def test_get_device_info_is_made_octet_by_octet() -> None:
    # Destination comes first on the wire: the vector asks 05e0:12345678 from 05e0:aabbccdd.
    assert rdm.get(DEVICE, SOURCE, 7, rdm.DEVICE_INFO) == GET_DEVICE_INFO


def test_device_info_reply() -> None:
    message = rdm.decode(DEVICE_INFO_REPLY)
    assert message.is_answer and message.port_or_response == rdm.Response.ACK
    info = rdm.device_info(message.data)
    assert (info.footprint, info.personality, info.personalities) == (27, 2, 3)
    assert (info.start_address, info.sensors, info.model) == (101, 4, 0x1234)


@pytest.mark.parametrize(("raw", "uid"), [(BRANCH_REPLY, "05e0:12345678"), (BRANCH_REPLY_2, "1234:56789abc")])
def test_branch_replies(raw: bytes, uid: str) -> None:
    found = rdm.discovery_reply(raw)
    assert found is not None and rdm.uid_text(found) == uid


@given(st.integers(0, 135))
def test_a_branch_reply_with_a_flipped_bit_is_a_collision(bit: int) -> None:
    damaged = bytearray(BRANCH_REPLY[7:])
    damaged[bit // 8] ^= 1 << bit % 8
    assert rdm.discovery_reply(bytes(damaged)) in (None, DEVICE)


@given(st.binary(max_size=300))
def test_any_bytes_are_a_message_or_a_reason(raw: bytes) -> None:
    for read in (rdm.decode, rdm.tod_data, rdm.art_rdm_message, rdm.device_info, rdm.sensor_value):
        try:
            read(raw)
        except ValueError as reason:
            assert str(reason)
    rdm.discovery_reply(raw)


@given(st.binary(max_size=231), st.integers(0, 255), st.integers(0, 0xFFFF))
def test_messages_come_back(data: bytes, transaction: int, parameter: int) -> None:
    message = Message(DEVICE, SOURCE, transaction, 1, 0, 0, 0x21, parameter, data)
    assert rdm.decode(rdm.encode(message)) == message


def test_every_truncation_is_refused() -> None:
    for end in range(len(DEVICE_INFO_REPLY)):
        with pytest.raises(ValueError):
            rdm.decode(DEVICE_INFO_REPLY[:end])


def test_over_artnet() -> None:
    """E1.20 over Art-Net: from the sub-START code to the checksum, which counts the 0xCC that is not carried."""
    wrapped = rdm.art_rdm(0x0123, GET_DEVICE_INFO)
    assert wrapped[:12] == b"Art-Net\0\x00\x83\x00\x0e" and wrapped[21:24] == b"\x01\x00\x23"
    assert wrapped[24:] == GET_DEVICE_INFO[1:]
    assert rdm.art_rdm_message(wrapped) == (0x0123, rdm.decode(GET_DEVICE_INFO))
    asked = rdm.tod_request((0x0100, 0x0123))
    assert len(asked) == 56 and asked[21:26] == b"\x01\x00\x02\x00\x23"


def test_a_monitor_only_reads() -> None:
    changing = rdm.encode(Message(DEVICE, SOURCE, 1, 1, 0, 0, 0x30, rdm.START_ADDRESS, b"\0\x01"))
    finding = rdm.encode(Message(rdm.ALL_DEVICES, SOURCE, 1, 1, 0, 0, 0x10, 0x0001, bytes(12)))
    for message in (changing, finding):
        with pytest.raises(ValueError, match="only GET"):
            rdm.art_rdm(0, message)
    with pytest.raises(ValueError, match="none that slotwatch asks for"):
        rdm.get(DEVICE, SOURCE, 1, 0x1000)  # IDENTIFY_DEVICE


def test_a_table_of_devices_counts_no_more_than_it_holds() -> None:
    head = b"Art-Net\0\x00\x81\x00\x0e\x01\x02" + bytes(6) + b"\x03\x01\x00\x23" + b"\x00\xc8\x00\xff"
    table = rdm.tod_data(head + DEVICE + SOURCE + b"\x01")
    assert (table.port_address, table.port, table.bind_index, table.total) == (0x0123, 2, 3, 200)
    assert table.uids == (DEVICE, SOURCE) and table.complete
