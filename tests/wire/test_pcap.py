"""Captures: every flavour, every way of cutting them into pieces, and bytes that lie."""

from __future__ import annotations

import struct
import tracemalloc

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from slotwatch.wire import pcap, pcap_blocks
from slotwatch.wire.pcap import CaptureInterface, Reader
from tests.wire import frames, tshark

T = 1_700_000_000_123_456_789
FRAMES = [(T, b"first frame"), (T + 1_000_000_000, b"second"), (T + 1_500_000_000, bytes(300))]


def read(raw: bytes, piece: int = 1 << 20) -> list[tuple[CaptureInterface, int, bytes]]:
    return list(pcap.read_all(raw, piece))


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("nano", [False, True])
@pytest.mark.parametrize("piece", [1, 7, 64, 1 << 20])
def test_pcap_of_every_order_and_resolution(order: str, nano: bool, piece: int) -> None:
    found = read(frames.pcap(FRAMES, order=order, nano=nano), piece)
    assert [frame for _, _, frame in found] == [frame for _, frame in FRAMES]
    assert [t for _, t, _ in found] == [t if nano else t // 1000 * 1000 for t, _ in FRAMES]


# draft-ietf-opsawg-pcapng 4.2: if_tsresol is a power of 10, or of 2 with the top bit set.
@pytest.mark.parametrize(
    ("resolution", "ticks", "t_ns"),
    [
        (None, 1_700_000_000_123_456, 1_700_000_000_123_456_000),
        (6, 1_700_000_000_123_456, 1_700_000_000_123_456_000),
        (9, T, T),
        (3, 1_700_000_000_123, 1_700_000_000_123_000_000),
        (0, 1_700_000_000, 1_700_000_000_000_000_000),
        (12, 1_700_000_000_123_456_789, 1_700_000_000_123_456),
        (0x80, 1_700_000_000, 1_700_000_000_000_000_000),
        (0x8A, 1_700_000_000 << 10 | 512, 1_700_000_000_500_000_000),
        (0xA0, 1_700_000_000 << 32 | 1 << 31, 1_700_000_000_500_000_000),
        (0x94, 1_700_000_000 << 20 | 1 << 18, 1_700_000_000_250_000_000),
    ],
)
@pytest.mark.parametrize("order", ["<", ">"])
def test_pcapng_resolutions(resolution: int | None, ticks: int, t_ns: int, order: str) -> None:
    raw = frames.section(order) + frames.interface(resolution=resolution, order=order)
    assert read(raw + frames.enhanced(ticks, b"frame", order=order))[0][1:] == (t_ns, b"frame")


def test_pcapng_offset_of_an_interface() -> None:
    raw = frames.section() + frames.interface(resolution=9, offset_s=1_700_000_000) + frames.enhanced(5, b"x")
    assert read(raw)[0][1] == 1_700_000_000_000_000_005


@pytest.mark.parametrize("piece", [1, 13, 1 << 20])
def test_several_interfaces_and_sections_of_either_order(piece: int) -> None:
    raw = frames.section("<") + frames.interface(name="eth1") + frames.interface(101, name="tun0")
    raw += frames.enhanced(1_000_000, b"a", 1) + frames.block(5, b"statistics..") + frames.enhanced(2_000_000, b"b", 0)
    raw += frames.section(">") + frames.interface(113, name="any", order=">", resolution=9)
    raw += frames.enhanced(3_000_000_000, b"c", 0, ">") + frames.simple(b"d", ">")
    found = read(raw, piece)
    assert [(interface.name, t, frame) for interface, t, frame in found] == [
        ("tun0", 1_000_000_000, b"a"),
        ("eth1", 2_000_000_000, b"b"),
        ("any", 3_000_000_000, b"c"),
        ("any", -1, b"d"),
    ]


def test_simple_packets_are_cut_at_the_snapshot_length() -> None:
    raw = frames.section() + frames.interface(snap=4) + frames.simple(b"abcd", original=900)
    assert read(raw)[0][2] == b"abcd"


@pytest.mark.parametrize(
    "raw", [frames.pcap(FRAMES), frames.section() + frames.interface() + frames.enhanced(1, b"x" * 40) * 3]
)
def test_every_truncation_gives_what_is_whole_and_reports_what_is_not(raw: bytes) -> None:
    whole = [frame for _, _, frame in read(raw)]
    for end in range(24, len(raw)):
        reader = Reader()
        count = sum(len(records.start) for records in reader.feed(raw[:end]))
        reader.close()
        assert count <= len(whole)
        assert "cut off" in reader.ended or reader.ended == ""
        if reader.ended == "":
            assert len(b"".join(whole[:count])) <= end  # a cut between two records cannot be seen


@pytest.mark.parametrize(
    ("raw", "sentence"),
    [
        (b"", "empty"),
        (b"\x00", "neither pcap nor pcapng"),
        # The magic numbers of draft-ietf-opsawg-pcap 4 and draft-ietf-opsawg-pcapng 4.1, and not a whole header.
        (b"\xd4\xc3\xb2\xa1\x02\x00\x04\x00", "cut off in its header"),
        (b"\xa1\xb2\x3c\x4d", "cut off in its header"),
        (b"\x0a\x0d\x0d\x0a\x1c\x00", "cut off in its header"),
        (b"GIF89a" + bytes(40), "begins with 47 49 46 38"),
        (bytes(24), "begins with 00 00 00 00"),
    ],
)
def test_what_is_no_capture_is_reported(raw: bytes, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        read(raw)


@pytest.mark.parametrize(
    "raw",
    [
        frames.pcap(FRAMES) + struct.pack("<IIII", 1, 1, 0xFFFFFFFF, 0xFFFFFFFF) + bytes(50),
        frames.section()
        + frames.interface()
        + frames.enhanced(1, b"x")
        + struct.pack("<II", 6, 0xFFFFFFFC)
        + bytes(50),
        frames.section() + frames.interface() + frames.enhanced(1, b"x") + struct.pack("<II", 6, 4) + bytes(50),
        frames.section() + frames.interface() + frames.enhanced(1, b"x") + struct.pack("<II", 6, 33) + bytes(50),
        frames.section() + frames.interface() + frames.enhanced(1, b"x") + frames.enhanced(1, b"x", number=9),
        frames.section()
        + frames.interface()
        + frames.enhanced(1, b"x")
        + frames.block(6, struct.pack("<IIIII", 0, 0, 0, 5000, 5000) + b"short"),
        frames.section()
        + frames.interface()
        + frames.enhanced(1, b"x")
        + frames.block(0x0A0D0D0A, b"nomagic!........"),
    ],
)
def test_hostile_lengths_end_the_reading_with_a_sentence_and_little_memory(raw: bytes) -> None:
    tracemalloc.start()
    reader = Reader()
    found = [frame for records in reader.feed(raw) for frame in records.start]
    reader.close()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(found) >= 1 and reader.ended.startswith("damaged at byte")
    assert peak < 1 << 20


@given(st.binary(max_size=400), st.integers(1, 100), st.sampled_from(["pcap", "pcapng", ""]))
@example(b"\xa1\xb2<M", 1, "")  # the first word of a capture alone
@settings(max_examples=200, deadline=None)
def test_any_bytes_are_read_or_refused(raw: bytes, piece: int, kind: str) -> None:
    head = {"pcap": frames.pcap([]), "pcapng": frames.section() + frames.interface(), "": b""}[kind]
    try:
        for _, t_ns, frame in pcap.read_all(head + raw, piece):
            assert -1 <= t_ns <= 1 << 62 and len(frame) <= len(raw)
    except ValueError as reason:
        assert any(word in str(reason) for word in ("empty", "neither", "cut off in its header"))


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_a_damaged_capture_never_raises(data: st.DataObject) -> None:
    raw = bytearray(
        frames.section() + frames.interface(resolution=9) + frames.enhanced(1, b"x" * 30) + frames.simple(b"y" * 9) * 2
    )
    for _ in range(data.draw(st.integers(1, 6))):
        raw[data.draw(st.integers(12, len(raw) - 1))] = data.draw(st.integers(0, 255))
    reader = Reader()
    for records in reader.feed(bytes(raw)):
        assert (records.captured >= 0).all()
        assert (records.start + records.captured <= len(raw)).all()
    reader.close()


def test_what_is_written_is_read_back() -> None:
    raw = pcap_blocks.header([CaptureInterface(1, "eth1"), CaptureInterface(1, "eth2")])
    raw += pcap_blocks.packet(T, b"frame", 1, comment="why") + pcap_blocks.packet(T + 1, b"cut", original=99)
    assert [(i.name, t, frame) for i, t, frame in read(raw)] == [("eth2", T, b"frame"), ("eth1", T + 1, b"cut")]


@pytest.mark.tshark
def test_tshark_reads_what_is_written() -> None:
    raw = pcap_blocks.header([CaptureInterface(1, "eth1"), CaptureInterface(1, "eth2")])
    raw += pcap_blocks.packet(T, frames.ethernet(frames.ipv4(frames.udp(b"hello"))), 1, comment="an incident")
    found = tshark.rows(raw, "", "frame.time_epoch", "frame.interface_name", "udp.dstport", "frame.comment")
    assert found == [["1700000000.123456789", "eth2", "5568", "an incident"]]


@pytest.mark.tshark
@pytest.mark.parametrize("path", sorted(tshark.CAPTURES.glob("*.pcap*")), ids=lambda path: path.name)
def test_every_sample_reads_as_in_tshark(path) -> None:  # type: ignore[no-untyped-def]
    wanted = tshark.rows(path, "", "frame.time_epoch", "frame.cap_len", "frame.interface_id")
    found = read(path.read_bytes(), 5000)
    assert len(found) == len(wanted)
    for (_, t_ns, frame), (epoch, length, _) in zip(found, wanted, strict=True):
        seconds, part = epoch.split(".")
        assert t_ns == int(seconds) * 1_000_000_000 + int(part.ljust(9, "0"))
        assert len(frame) == int(length)
