"""ARP, by the layout of RFC 826 and the probe of RFC 5227."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from slotwatch.wire.arp import read_arp

SENDER, TARGET = bytes.fromhex("020000000010"), bytes(6)


def packet(address: bytes, sender: bytes = SENDER, head: str = "00010800060400") -> bytes:
    """An ARP request: hardware 1, protocol 0x0800, lengths 6 and 4, operation 1."""
    return bytes.fromhex(head + "01") + sender + address + TARGET + bytes((10, 20, 0, 9))


def test_a_sender_says_which_address_it_has() -> None:
    assert read_arp(packet(bytes((10, 20, 0, 10)))) == ("10.20.0.10", "02:00:00:00:00:10")
    assert read_arp(packet(bytes((10, 20, 0, 10))) + bytes(18)) is not None, "padded to the shortest frame"


def test_a_probe_has_no_address_yet() -> None:
    assert read_arp(packet(bytes(4))) is None


def test_what_is_not_ethernet_and_ipv4_is_nothing() -> None:
    assert read_arp(packet(bytes((10, 20, 0, 10)), head="00060800060400")) is None
    assert read_arp(packet(bytes((10, 20, 0, 10)), sender=b"\x01" + SENDER[1:])) is None
    assert read_arp(packet(bytes((10, 20, 0, 10)))[:27]) is None


@given(st.binary(max_size=64))
def test_any_bytes_are_taken(raw: bytes) -> None:
    read_arp(raw)
