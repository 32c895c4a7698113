"""The array decoder against the standards' vectors, against the reference decoder, and against hostile octets."""

from __future__ import annotations

import struct
from dataclasses import fields as dataclass_fields

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from slotwatch.wire.batch import ROW_BYTES, Batch
from slotwatch.wire.decode import decode
from slotwatch.wire.fields import Fields, PacketKind
from slotwatch.wire.reference import Packet, decode_one
from slotwatch.wire.reject import Odd, Reject
from slotwatch.wire.universe import Protocol
from tests.wire import vectors
from tests.wire.vectors import (
    ART_DMX,
    ART_POLL,
    ART_SYNC,
    CID,
    E131_APPENDIX_B,
    E131_DATA,
    E131_DISCOVERY,
    E131_SYNC,
    batch_of,
    patched,
)


def row(fields: Fields, index: int) -> Packet:
    """Put one row of the columns into the reference decoder's shape."""
    values = {field.name: getattr(fields, field.name)[index] for field in dataclass_fields(Packet)}
    made = {name: value.tobytes() if name == "source_id" else int(value) for name, value in values.items()}
    return Packet(
        **made | {"status": Reject(made["status"]), "kind": PacketKind(made["kind"]), "odd": Odd(made["odd"])}
    )


def one(packet: bytes, protocol: int = Protocol.E131, dst: bytes = bytes(16)) -> Packet:
    return row(decode(batch_of([packet], protocol, dst)), 0)


def agree(batch: Batch) -> None:
    """Hold every row of a batch against the reference decoder."""
    found = decode(batch)
    for index in range(len(batch)):
        payload = batch.data[index, : batch.length[index]].tobytes()
        wanted = decode_one(
            int(batch.protocol[index]),
            payload,
            dst=batch.dst[index].tobytes(),
            truncated=bool(batch.flags[index] & 1),
            line=int(batch.src_port[index]),
        )
        assert row(found, index) == wanted, payload.hex()


class TestVectors:
    def test_e131_data(self) -> None:
        assert one(E131_DATA) == Packet(
            kind=PacketKind.LEVELS, universe=7, priority=100, sequence=42, slots=4, first_slot=126, source_id=CID
        )

    def test_e131_appendix_b(self) -> None:
        found = one(E131_APPENDIX_B)
        assert len(E131_APPENDIX_B) == 638
        assert (found.status, found.odd, found.universe, found.priority) == (Reject.OK, Odd.NONE, 1, 100)
        assert (found.sync_address, found.sequence, found.slots) == (7962, 154, 512)

    def test_e131_sync(self) -> None:
        found = one(E131_SYNC)
        assert (found.status, found.odd, found.kind) == (Reject.OK, Odd.NONE, PacketKind.E131_SYNC)
        assert (found.universe, found.sync_address, found.sequence, found.source_id) == (9, 9, 5, CID)
        assert (one(vectors.E131_SYNC_APPENDIX_B).sequence, one(vectors.E131_SYNC_APPENDIX_B).universe) == (0x70, 7962)

    def test_e131_discovery(self) -> None:
        found = one(E131_DISCOVERY)
        assert (found.status, found.odd, found.kind, found.slots) == (Reject.OK, Odd.NONE, PacketKind.E131_DISCOVERY, 4)

    def test_artnet(self) -> None:
        assert one(ART_DMX, Protocol.ARTNET) == Packet(
            kind=PacketKind.LEVELS, universe=0x123, priority=100, sequence=1, slots=2, first_slot=18
        )
        assert one(ART_POLL, Protocol.ARTNET).kind == PacketKind.ART_POLL
        assert one(ART_SYNC, Protocol.ARTNET) == Packet(kind=PacketKind.ART_SYNC, priority=100)
        assert one(vectors.ART_DMX_TEN, Protocol.ARTNET).slots == 10

    def test_line(self) -> None:
        assert one(b"\0" + bytes(512), Protocol.LINE) == Packet(
            kind=PacketKind.LEVELS, universe=3, priority=100, slots=512, first_slot=1
        )
        # ANSI E1.20: 0xCC is RDM's start code, so never levels.
        assert one(b"\xcc\x01\x18", Protocol.LINE).kind == PacketKind.OTHER_START_CODE
        assert one(b"", Protocol.LINE).status == Reject.TOO_SHORT
        assert one(bytes(514), Protocol.LINE).status == Reject.TOO_LONG


# (offset, octets, what becomes of it): each field of a data packet wrong by itself. Clauses of ANSI E1.31-2018.
E131_WRONG = [
    (0, b"\x00\x11", Reject.BAD_PREAMBLE),  # 5.1
    (2, b"\x00\x01", Reject.BAD_PREAMBLE),  # 5.2
    (4, b"X", Reject.NOT_THIS_PROTOCOL),  # 5.3
    (15, b"\x01", Reject.NOT_THIS_PROTOCOL),
    (18, b"\0\0\0\x03", Reject.BAD_VECTOR),  # 5.5; 3 is that of drafts before the standard
    (18, b"\0\0\0\x08", Reject.BAD_VECTOR),  # under 8 the octets are a discovery page with another vector
    (18, b"\x01\0\0\x04", Reject.BAD_VECTOR),
    (40, b"\0\0\0\x09", Reject.BAD_VECTOR),  # 6.2.1
    (108, b"\xc9", Reject.BAD_PRIORITY),  # 6.2.3
    (108, b"\xff", Reject.BAD_PRIORITY),
    (113, b"\0\0", Reject.BAD_UNIVERSE),  # 6.2.7
    (113, b"\xfa\x00", Reject.BAD_UNIVERSE),  # 64000
    (113, b"\xfa\xd6", Reject.BAD_UNIVERSE),  # 64214 carries lists, not levels
    (117, b"\x03", Reject.BAD_VECTOR),  # 7.2
    (118, b"\xa2", Reject.BAD_ADDRESSING),  # 7.3
    (119, b"\0\x01", Reject.BAD_ADDRESSING),  # 7.4
    (121, b"\0\x02", Reject.BAD_ADDRESSING),  # 7.5
    (123, b"\0\0", Reject.BAD_SLOT_COUNT),  # 7.6
    (123, b"\x02\x02", Reject.BAD_SLOT_COUNT),
    (123, b"\0\x06", Reject.BAD_LENGTH),  # one slot more than arrived
    (123, b"\x02\x01", Reject.BAD_LENGTH),
]
E131_ODD = [
    (16, b"\x00\x72", Odd.FLAGS),
    (16, b"\x70\x71", Odd.LENGTH_FIELDS),
    (38, b"\x7f\xff", Odd.LENGTH_FIELDS),
    (115, b"\x00\x00", Odd.FLAGS | Odd.LENGTH_FIELDS),
    (22, bytes(16), Odd.ZERO_CID),  # 5.6
    (44, b"d" * 64, Odd.NAME_UNTERMINATED),  # 6.2.2
    (44, b"\xff\xfe", Odd.NAME_NOT_UTF8),
    (44, b"\xc3\xbc", Odd.NONE),  # UTF-8 for u with two dots
    (106, b"\0\xff", Odd.NONE),  # after the name's end anything may follow
    (109, b"\xfa\x00", Odd.SYNC_ADDRESS_RESERVED),
    (112, b"\xe0", Odd.NONE),
    (112, b"\x01", Odd.RESERVED_BITS),  # 6.2.6
    (123, b"\0\x04", Odd.LENGTH_FIELDS | Odd.TRAILING),  # one slot fewer than the lengths say
]


@pytest.mark.parametrize(("offset", "octets", "reason"), E131_WRONG)
def test_each_wrong_e131_field_is_rejected_by_its_name(offset: int, octets: bytes, reason: Reject) -> None:
    assert one(patched(E131_DATA, offset, octets)) == Packet(status=reason)


@pytest.mark.parametrize(("offset", "octets", "odd"), E131_ODD)
def test_each_odd_e131_field_is_used_and_counted(offset: int, octets: bytes, odd: Odd) -> None:
    found = one(patched(E131_DATA, offset, octets))
    assert (found.status, found.odd, found.universe) == (Reject.OK, odd, 7)


# Rows of the strictness table: what Art-Net 4 says of each field, and where public receivers differ.
@pytest.mark.parametrize(
    ("packet", "status", "odd"),
    [
        (patched(ART_DMX, 7, b"\x01"), Reject.NOT_THIS_PROTOCOL, Odd.NONE),
        (patched(ART_DMX, 8, b"\x00\x51"), Reject.BAD_START_CODE, Odd.NONE),
        (patched(patched(ART_DMX, 8, b"\x00\x51"), 13, b"\xcc"), Reject.BAD_START_CODE, Odd.NONE),
        (patched(patched(ART_DMX, 8, b"\x00\x51"), 13, b"\x17"), Reject.OK, Odd.NONE),
        (patched(ART_DMX, 8, b"\x01\x50"), Reject.UNKNOWN_OPCODE, Odd.NONE),
        (patched(ART_DMX, 8, b"\x00\x83"), Reject.OK, Odd.NONE),
        (patched(ART_DMX, 10, b"\x00\x0d"), Reject.BAD_VERSION, Odd.NONE),
        (patched(ART_DMX, 10, b"\x00\x0f"), Reject.OK, Odd.NEWER_VERSION),
        (patched(ART_DMX, 14, b"\x01\x80"), Reject.OK, Odd.PORT_ADDRESS_BIT_15),
        (patched(ART_DMX, 16, b"\x00\x00"), Reject.BAD_SLOT_COUNT, Odd.NONE),
        (patched(ART_DMX, 16, b"\x02\x58"), Reject.BAD_SLOT_COUNT, Odd.NONE),  # 600
        (patched(ART_DMX, 16, b"\x02\x00"), Reject.BAD_LENGTH, Odd.NONE),
        (patched(ART_DMX, 16, b"\x00\x01"), Reject.OK, Odd.ODD_LENGTH | Odd.TRAILING),
        (ART_DMX + bytes(1182), Reject.OK, Odd.TRAILING),
        (ART_DMX + bytes(1300), Reject.TOO_LONG, Odd.NONE),
        (ART_POLL[:12], Reject.OK, Odd.NONE),
        (patched(ART_SYNC, 12, b"\x01"), Reject.OK, Odd.RESERVED_BITS),
        (b"Art-Net\0\x00\x81" + bytes(1218), Reject.OK, Odd.NONE),  # a full table of devices: longer than a row
        (b"Art-Net\0\x00\x21" + bytes(100), Reject.TOO_SHORT, Odd.NONE),
        (b"Art-Net\0\x00\x21" + bytes(188), Reject.OK, Odd.NONE),
        (b"Art-Net\0\x00\x21" + b"x" * 229, Reject.OK, Odd.NAME_UNTERMINATED),
    ],
)
def test_artnet_strictness(packet: bytes, status: Reject, odd: Odd) -> None:
    found = one(packet, Protocol.ARTNET)
    assert (found.status, found.odd) == (status, odd)
    agree(batch_of([packet], Protocol.ARTNET))


@pytest.mark.parametrize("packet", vectors.ART_VECTORS)
def test_artnet_on_the_other_port_is_not_e131(packet: bytes) -> None:
    assert one(packet).status == Reject.NOT_THIS_PROTOCOL


@pytest.mark.parametrize("packet", vectors.E131_VECTORS)
def test_e131_on_the_other_port_is_not_artnet(packet: bytes) -> None:
    assert one(packet, Protocol.ARTNET).status == Reject.NOT_THIS_PROTOCOL


def test_start_codes_separate_levels_from_all_else() -> None:
    kinds = [one(patched(E131_DATA, 125, bytes([code]))).kind for code in (0x00, 0xDD, 0x17, 0xCC, 0xFF)]
    assert kinds == [PacketKind.LEVELS, PacketKind.SLOT_PRIORITY, *[PacketKind.OTHER_START_CODE] * 3]


def test_the_group_that_must_not_be_used_is_counted() -> None:
    """ANSI E1.31-2018 9.1.1: 239.255.255.0 to 239.255.255.255."""
    forbidden = bytes(10) + b"\xff\xff\xef\xff\xff\x07"
    assert one(E131_DATA, dst=forbidden).odd == Odd.RESERVED_GROUP
    assert one(E131_DATA, dst=b"\x01" + forbidden[1:]).odd == Odd.NONE
    assert one(E131_DATA, dst=bytes(10) + b"\xff\xff\xef\xff\x00\x07").odd == Odd.NONE


def test_discovery_lists_are_held_against_their_rules() -> None:
    assert one(patched(E131_DISCOVERY, 120, b"\0\x09")).odd == Odd.DISCOVERY_UNSORTED
    assert one(patched(E131_DISCOVERY, 120, b"\0\x02")).odd == Odd.DISCOVERY_UNSORTED
    assert one(patched(E131_DISCOVERY, 118, b"\x02\x01")).odd == Odd.DISCOVERY_PAGES
    assert one(patched(E131_DISCOVERY, 112, b"\x70\x12")).status == Reject.BAD_LENGTH
    assert one(patched(E131_DISCOVERY, 112, b"\x70\x07")).status == Reject.BAD_LENGTH
    assert one(patched(E131_DISCOVERY, 112, b"\x7f\xfe")).status == Reject.BAD_LENGTH
    assert one(patched(E131_DISCOVERY, 112, b"\x70\x08")).slots == 0
    assert one(patched(E131_SYNC, 45, b"\0\0")).status == Reject.BAD_UNIVERSE


def ended(count: int, options: int = 0x40) -> bytes:
    """A data packet of universe 7 without data: property count 0, lengths that say so."""
    packet = vectors.patched(vectors.E131_DATA[:125], 112, bytes([options]))
    packet = vectors.patched(packet, 16, b"\x70\x6d")
    packet = vectors.patched(packet, 38, b"\x70\x57")
    packet = vectors.patched(packet, 115, b"\x70\x0a")
    return vectors.patched(packet, 123, struct.pack(">H", count))


def test_a_terminated_packet_without_data_is_a_clean_stop() -> None:
    """ANSI E1.31-2018 6.2.6: any property values in a terminated packet are ignored; 7.6 wants at least one."""
    batch = batch_of([ended(0), ended(0, options=0), ended(1), ended(0) + b"\0"])
    agree(batch)
    read = decode(batch)
    assert list(read.status) == [Reject.OK, Reject.TOO_SHORT, Reject.TOO_SHORT, Reject.OK]
    assert (read.kind[0], read.universe[0], read.slots[0], read.options[0]) == (PacketKind.LEVELS, 7, 0, 0x40)
    assert Odd(int(read.odd[0])) == Odd.NO_START_CODE
    assert Odd(int(read.odd[3])) == Odd.NO_START_CODE | Odd.TRAILING


def test_a_packet_as_long_as_a_discovery_list_is_no_sync_packet() -> None:
    """ANSI E1.31-2018 tables 4-2 and 4-3: the framing vector 1 belongs to 49 octets, 2 to 120 and more."""
    swapped = vectors.patched(vectors.E131_DISCOVERY, 40, b"\0\0\0\1")
    batch = batch_of([swapped, vectors.E131_SYNC + bytes(71), vectors.E131_SYNC + bytes(70)])
    agree(batch)
    assert list(decode(batch).status) == [Reject.BAD_LENGTH, Reject.BAD_LENGTH, Reject.OK]


@pytest.mark.parametrize("packet", [*vectors.E131_VECTORS, *vectors.ART_VECTORS])
def test_every_truncation_and_trailing_octets(packet: bytes) -> None:
    protocol = Protocol.ARTNET if packet in vectors.ART_VECTORS else Protocol.E131
    cuts = [packet[:end] for end in range(len(packet) + 1)]
    longer = [packet + b"\xee" * more for more in (1, 2, 99, 506, 507, 600, 700, 1300)]
    agree(batch_of(cuts + longer, protocol))
    # The shortest packets: a poll may end after its version (12), an E1.31 sync packet has 49 octets.
    shortest = 12 if protocol == Protocol.ARTNET else 49
    assert (decode(batch_of(cuts[:shortest], protocol)).status == Reject.TOO_SHORT).all()


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_lying_lengths_agree_with_the_reference(data: st.DataObject) -> None:
    packet = data.draw(st.sampled_from([*vectors.E131_VECTORS, *vectors.ART_VECTORS]))
    protocol = Protocol.ARTNET if packet in vectors.ART_VECTORS else Protocol.E131
    changed = bytearray(packet)
    for offset, octet in data.draw(st.lists(st.tuples(st.integers(0, 130), st.integers(0, 255)), max_size=4)):
        if offset < len(changed):
            changed[offset] = octet
    cut = data.draw(st.integers(0, len(changed)))
    agree(batch_of([bytes(changed), bytes(changed[:cut]), packet], protocol))


@given(
    st.lists(st.tuples(st.sampled_from([0, 1, 2, 3, 4, 255]), st.binary(max_size=1300)), max_size=8),
    st.integers(0, 255),
)
@example([(1, b""), (2, b""), (3, b"")], 0)
@settings(max_examples=150, deadline=None)
def test_any_bytes_have_a_verdict(rows: list[tuple[int, bytes]], leftover: int) -> None:
    batch = batch_of([octets for _, octets in rows], [protocol for protocol, _ in rows] or 1, leftover=leftover)
    agree(batch)


@given(st.permutations([*vectors.E131_VECTORS, *vectors.ART_VECTORS, b"", b"\0" + bytes(512)]))
@settings(max_examples=30, deadline=None)
def test_a_row_reads_the_same_at_every_place_of_a_batch(packets: list[bytes]) -> None:
    protocols = [Protocol.ARTNET if packet.startswith(b"Art") else Protocol.E131 for packet in packets]
    agree(batch_of(packets, protocols))


def test_leftovers_of_an_earlier_packet_are_never_read() -> None:
    batch = batch_of([E131_APPENDIX_B] * 4)
    batch.length[:] = [0, 20, 125, 637]
    found = decode(batch)
    assert list(found.status) == [Reject.TOO_SHORT, Reject.TOO_SHORT, Reject.TOO_SHORT, Reject.BAD_LENGTH]
    assert not found.universe.any() and not found.source_id.any()


@pytest.mark.parametrize("rows", [1, 2, 9])
def test_a_batch_is_never_written_to(rows: int) -> None:
    """It is a view of memory that other processes read."""
    for packets, protocol in ((vectors.E131_VECTORS, Protocol.E131), (vectors.ART_VECTORS, Protocol.ARTNET)):
        for packet in packets:
            batch = batch_of([packet] * rows, protocol)
            for name in ("data", "length", "t_ns", "network", "protocol", "src", "src_port", "dst", "flags"):
                getattr(batch, name).flags.writeable = False
            agree(batch)


def test_no_rows_no_columns() -> None:
    assert len(decode(batch_of([])).status) == 0


def test_columns_outlive_the_batch() -> None:
    batch = batch_of([E131_DATA] * 3)
    found = decode(batch)
    batch.data[:] = 0
    assert list(found.universe) == [7, 7, 7] and found.source_id[2].tobytes() == CID


def test_views_of_a_ring_decode_as_they_are() -> None:
    """The ring hands out slices whose rows are ROW_BYTES apart."""
    batch = batch_of([E131_DATA] * 8)
    batch.data = batch.data[2:5]
    for name in ("length", "t_ns", "network", "protocol", "src", "src_port", "dst", "flags"):
        setattr(batch, name, getattr(batch, name)[2:5])
    assert batch.data.strides == (ROW_BYTES, 1)
    assert np.array_equal(decode(batch).sequence, [42, 42, 42])
