"""What is composed is what the standards' vectors hold, what tshark reads, and what the decoder gives back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from slotwatch.wire import compose, names
from slotwatch.wire.compose import NodePort
from slotwatch.wire.fields import PacketKind
from slotwatch.wire.reference import decode_one
from slotwatch.wire.reject import Odd, Reject
from slotwatch.wire.universe import Protocol
from tests.wire import vectors
from tests.wire.vectors import CID


def test_golden_vectors_are_made_octet_by_octet() -> None:
    assert compose.e131_data(CID, "desk", 7, 42, bytes((1, 2, 3, 4))) == vectors.E131_DATA
    assert compose.e131_sync(CID, 5, 9) == vectors.E131_SYNC
    assert compose.e131_discovery(CID, "desk", [300, 7, 1, 2, 2]) == [vectors.E131_DISCOVERY]
    assert compose.art_dmx(0x0123, 1, b"\x10\x20") == vectors.ART_DMX
    assert compose.art_dmx(1, 1, bytes(range(1, 11))) == vectors.ART_DMX_TEN
    assert compose.art_poll(0x06, 0x10) == vectors.ART_POLL
    assert compose.art_sync() == vectors.ART_SYNC


def test_appendix_b_is_made_octet_by_octet() -> None:
    cid = bytes.fromhex("ef07c8dd00644401a3a2459ef8e61438")
    made = compose.e131_data(cid, "Source_A", 1, 154, bytes(512), sync_address=7962)
    assert made == vectors.E131_APPENDIX_B
    assert compose.e131_sync(cid, 0x70, 7962) == vectors.E131_SYNC_APPENDIX_B


@given(
    st.text(max_size=80),
    st.integers(1, 63999),
    st.integers(0, 255),
    st.binary(max_size=512),
    st.integers(0, 200),
    st.integers(0, 63999),
    st.sampled_from([0, 0x80, 0x40, 0x20, 0xE0]),
    st.integers(0, 255),
)
def test_data_comes_back_as_it_was_given(
    name: str, universe: int, sequence: int, slots: bytes, priority: int, sync: int, options: int, code: int
) -> None:
    packet = compose.e131_data(
        CID, name, universe, sequence, slots, priority=priority, sync_address=sync, options=options, start_code=code
    )
    found = decode_one(Protocol.E131, packet)
    assert (found.status, found.odd) == (Reject.OK, Odd.NONE)
    assert (found.universe, found.sequence, found.priority) == (universe, sequence, priority)
    assert (found.sync_address, found.options, found.start_code) == (sync, options, code)
    assert packet[found.first_slot :] == slots and found.slots == len(slots)


def test_a_long_list_has_pages() -> None:
    """ANSI E1.31-2018 8.4, 8.5: 512 universes a page, pages from 0."""
    pages = compose.e131_discovery(CID, "desk", range(1, 1026))
    read = [names.discovery_page(page, len(page)) for page in pages]
    assert [(page.page, page.last, len(page.universes)) for page in read] == [(0, 2, 512), (1, 2, 512), (2, 2, 1)]
    assert [len(page) for page in pages] == [1144, 1144, 122]
    assert all(decode_one(Protocol.E131, page).odd == Odd.NONE for page in pages)
    assert names.discovery_page(compose.e131_discovery(CID, "", [])[0], 120).universes == ()


def test_a_name_is_cut_where_a_character_ends() -> None:
    field = compose.name_field("ü" * 40, 64)
    assert len(field) == 64 and field[62:] == b"\0\0" and names.text(field) == "ü" * 31


def test_a_reply_comes_back_as_it_was_given() -> None:
    ports = [NodePort(0x1230), NodePort(0x1237, output=False, input=True), NodePort(0x123F, active=True)]
    packet = compose.art_poll_reply(
        "10.20.0.9",
        "node",
        "A node in the grid",
        ports,
        report="#0001 [0000] fine",
        mac=b"\x02\0\0\0\0\x09",
        bind_index=2,
    )
    assert len(packet) == 239
    assert decode_one(Protocol.ARTNET, packet).kind == PacketKind.ART_POLL_REPLY
    found = names.poll_reply(packet, len(packet))
    assert (found.address, found.bind_index, found.port, found.mac) == ("10.20.0.9", 2, 6454, "02:00:00:00:00:09")
    assert (found.short_name, found.long_name, found.report) == ("node", "A node in the grid", "#0001 [0000] fine")
    assert found.output_addresses == (0x1230, 0x123F)
    assert [port.input_address for port in found.ports if port.input] == [0x1237]
    assert found.ports[2].output_active and not found.ports[0].output_active
    assert found.fifteen_bit and found.failsafe == "hold"


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: compose.e131_data(CID, "", 0, 0, b""), "universe 0 is outside"),
        (lambda: compose.e131_data(CID, "", 64000, 0, b""), "universe 64000 is outside"),
        (lambda: compose.e131_data(CID, "", 1, 0, bytes(513)), "513 slots are more than 512"),
        (lambda: compose.e131_data(CID, "", 1, 0, b"", priority=201), "priority 201 is outside"),
        (lambda: compose.e131_data(CID, "", 1, 0, b"", options=1), "option bits"),
        (lambda: compose.e131_data(b"short", "", 1, 0, b""), "a CID has 16 octets"),
        (lambda: compose.e131_sync(CID, 0, 0), "sync address 0 is outside"),
        (lambda: compose.e131_discovery(CID, "", [0, 1]), "does not exist"),
        (lambda: compose.art_dmx(32768, 0, b"ab"), "port-address 32768 is outside"),
        (lambda: compose.art_dmx(0, 0, b""), "0 slots"),
        (lambda: compose.art_poll_reply("10.0.0.1", "", "", [NodePort(0), NodePort(16)]), "share Net and Sub-Net"),
        (lambda: compose.art_poll_reply("10.0.0.1", "", "", [NodePort(0)] * 5), "at most 4"),
    ],
)
def test_what_may_not_be_sent_is_refused_with_a_sentence(call, sentence: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=sentence):
        call()
