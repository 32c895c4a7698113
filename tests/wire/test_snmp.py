"""The number in the head of an SNMP message, against pysnmp's own encoder."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyasn1.codec.ber import encoder
from pysnmp.proto import api
from pysnmp.proto.mpmod.rfc3412 import SNMPv3Message

from slotwatch.wire.snmp import message_number

NUMBERS = st.integers(-(2**31), 2**31 - 1)
"""Integer32: the range of request-id (RFC 3416 3)."""
MESSAGES = st.integers(0, 2**31 - 1)
"""The range of msgID (RFC 3412 6)."""


def of_version_2(number: int, community: bytes, values: int) -> bytes:
    parts = api.PROTOCOL_MODULES[api.SNMP_VERSION_2C]
    pdu, message = parts.ResponsePDU(), parts.Message()
    parts.apiPDU.set_defaults(pdu)
    parts.apiPDU.set_request_id(pdu, number)
    rows = [((1, 3, 6, 1, 2, 1, 2, 2, 1, 8, row), parts.Integer(1)) for row in range(values)]
    parts.apiPDU.set_varbinds(pdu, rows)
    parts.apiMessage.set_defaults(message)
    parts.apiMessage.set_community(message, community)
    parts.apiMessage.set_pdu(message, pdu)
    return bytes(encoder.encode(message))


def of_version_3(number: int) -> bytes:
    message = SNMPv3Message()
    message["msgVersion"] = 3
    head = message["msgGlobalData"]
    head["msgID"], head["msgMaxSize"], head["msgFlags"], head["msgSecurityModel"] = number, 65507, b"\3", 3
    message["msgSecurityParameters"] = b""
    message["msgData"]["encryptedPDU"] = b"x" * 300
    return bytes(encoder.encode(message))


@given(NUMBERS, st.binary(max_size=300), st.integers(0, 40))
def test_the_request_id_of_version_2(number: int, community: bytes, values: int) -> None:
    assert message_number(of_version_2(number, community, values)) == number


@given(MESSAGES)
def test_the_message_id_of_version_3(number: int) -> None:
    assert message_number(of_version_3(number)) == number


@given(st.binary(max_size=80))
def test_any_bytes_have_a_number_or_none(octets: bytes) -> None:
    assert isinstance(message_number(octets), int | None)


@pytest.mark.parametrize("message", [of_version_2(70_000, b"public", 3), of_version_3(70_000)])
def test_a_head_that_is_cut_has_none(message: bytes) -> None:
    whole = next(end for end in range(len(message)) if message_number(message[:end]) is not None)
    assert message_number(message[:whole]) == 70_000
    # The number is in the bytes: tag, length, then 70,000 in three (X.690 8.3).
    assert message[:whole].endswith(bytes((2, 3)) + (70_000).to_bytes(3, "big"))
