"""Frames of every link layer that captures are read of, what is counted apart, and bytes that lie."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slotwatch.wire import ethernet, names
from slotwatch.wire.ethernet import NO_VLAN, Counts, Dissected
from slotwatch.wire.pcap import SLACK, Records
from tests.wire import frames, tshark
from tests.wire.frames import ipv4, ipv6, udp

PAYLOAD = b"the payload"


def dissect(
    packets: list[bytes], link: int = 1, originals: list[int] | None = None
) -> tuple[Dissected, Counts, Records]:
    joined = b"".join(packets) + bytes(SLACK)
    lengths = np.array([len(packet) for packet in packets], np.int64)
    records = Records(
        data=np.frombuffer(joined, np.uint8),
        start=np.cumsum(lengths) - lengths,
        captured=lengths,
        original=lengths if originals is None else np.array(originals, np.int64),
        t_ns=np.zeros(len(packets), np.int64),
        interface=np.zeros(len(packets), np.int64),
    )
    counts = Counts()
    return ethernet.dissect(records, np.full(len(packets), link, np.int64), counts), counts, records


def payloads(packets: list[bytes], link: int = 1) -> list[bytes]:
    found, _, records = dissect(packets, link)
    at = found.datagrams
    return [records.data[b : b + n].tobytes() for b, n in zip(at.payload, at.length, strict=True)]


FOUR, SIX = ipv4(udp(PAYLOAD)), ipv6(udp(PAYLOAD))
# Link-layer headers as tcpdump.org's list of link types describes them.
LINKS = [
    (1, frames.ethernet(FOUR), NO_VLAN),
    (1, frames.ethernet(SIX, 0x86DD), NO_VLAN),
    (1, frames.ethernet(FOUR + bytes(14)), NO_VLAN),  # padding of a short frame
    (1, frames.ethernet(FOUR, tags=((0x8100, 0x6014),)), 20),  # priority bits are not the VLAN
    (1, frames.ethernet(FOUR, tags=((0x88A8, 7), (0x8100, 20))), 20),
    # IEEE 802.1Q 9.6: VLAN number 0 is none, the tag gives only a priority.
    (1, frames.ethernet(FOUR, tags=((0x8100, 0x6000),)), NO_VLAN),
    (1, frames.ethernet(FOUR, tags=((0x88A8, 7), (0x8100, 0x6000))), 7),
    (113, struct.pack(">HHH8sH", 0, 1, 6, bytes(8), 0x0800) + FOUR, NO_VLAN),
    (113, struct.pack(">HHH8sH", 0, 1, 6, bytes(8), 0x8100) + struct.pack(">HH", 20, 0x86DD) + SIX, 20),
    (276, struct.pack(">HHIHBB8s", 0x0800, 0, 2, 1, 0, 6, bytes(8)) + FOUR, NO_VLAN),
    (101, FOUR, NO_VLAN),
    (101, SIX, NO_VLAN),
    (228, FOUR, NO_VLAN),
    (229, SIX, NO_VLAN),
    (0, struct.pack("<I", 2) + FOUR, NO_VLAN),
    (0, struct.pack(">I", 2) + FOUR, NO_VLAN),
    (0, struct.pack("<I", 30) + SIX, NO_VLAN),
    (108, struct.pack(">I", 24) + SIX, NO_VLAN),
]


@pytest.mark.parametrize(("link", "frame", "vlan"), LINKS)
def test_every_link_layer(link: int, frame: bytes, vlan: int) -> None:
    found, counts, _ = dissect([frame], link)
    assert payloads([frame], link) == [PAYLOAD]
    assert found.vlan[0] == vlan and counts.udp == 1
    assert (found.datagrams.src_port[0], found.datagrams.dst_port[0]) == (5568, 5568)
    addresses = [names.address_text(found.datagrams.src[0]), names.address_text(found.datagrams.dst[0])]
    assert addresses in (["10.0.0.1", "239.255.0.7"], ["fe80::1", "ff18::8300:7"])


@pytest.mark.tshark
@pytest.mark.parametrize(("link", "frame", "vlan"), LINKS)
def test_tshark_reads_the_same_frames_so(link: int, frame: bytes, vlan: int) -> None:
    capture = frames.pcap([(0, frame)], link=link)
    found = tshark.rows(capture, "", "udp.payload", "vlan.id")
    assert found[0][0].replace(":", "") == PAYLOAD.hex()
    assert vlan == NO_VLAN or found[0][1].split(",")[-1] in (str(vlan), "0")


def test_options_and_extension_headers_are_stepped_over() -> None:
    hop = b"\x3c\0\x01\x04\0\0\0\0"  # hop-by-hop, then destination options
    destination = b"\x11\x01" + bytes(14)
    packets = [
        frames.ethernet(ipv4(udp(PAYLOAD), options=b"\x94\x04\0\0")),
        frames.ethernet(ipv4(udp(PAYLOAD), options=bytes(40))),
        frames.ethernet(ipv6(udp(PAYLOAD), 0, hop + destination), 0x86DD),
    ]
    assert payloads(packets) == [PAYLOAD] * 3


@pytest.mark.parametrize(
    ("frame", "count"),
    [
        (frames.ethernet(ipv4(udp(PAYLOAD), fragment=0x2000)), "fragments"),
        (frames.ethernet(ipv4(udp(PAYLOAD), fragment=0x0001)), "fragments"),
        (frames.ethernet(ipv6(b"\x11\0\0\x01\0\0\0\0" + udp(PAYLOAD), 44), 0x86DD), "fragments"),
        (frames.ethernet(ipv4(b"tcp.................", protocol=6)), "not_udp"),
        (frames.ethernet(b"\xff" * 30, 0x88CC), "not_ip"),
        (frames.ethernet(b"\xff" * 30, 0x0026), "not_ip"),  # IEEE 802.3 with a length for a type
        (frames.ethernet(ipv4(udp(PAYLOAD), total=900)), "malformed"),
        (frames.ethernet(ipv4(udp(PAYLOAD), total=19)), "malformed"),
        (frames.ethernet(b"\x41" + ipv4(udp(PAYLOAD))[1:]), "malformed"),
        (frames.ethernet(ipv4(udp(PAYLOAD, length=900))), "malformed"),
        (frames.ethernet(ipv4(udp(PAYLOAD, length=7))), "malformed"),
        (frames.ethernet(b"\0\0\x11\x40" + FOUR, 0x8847), "mpls"),  # RFC 3032 2.1: one label, bottom of the stack
        (frames.ethernet(b"\0\0\x11\x40" + FOUR, 0x8848), "mpls"),
        (frames.ethernet(b"\x11\0\0\1\0\x29\0\x21" + FOUR, 0x8864), "pppoe"),  # RFC 2516 4
        (frames.ethernet(b"\x11\x09\0\0\0\0", 0x8863), "pppoe"),
        (b"\x01\x02\x03", "malformed"),  # shorter than its own header, and not cut by the recording
        (frames.ethernet(ipv4(udp(PAYLOAD))[:19]), "malformed"),
    ],
)
def test_what_is_no_datagram_is_counted_by_its_reason(frame: bytes, count: str) -> None:
    found, counts, _ = dissect([frame])
    assert len(found.datagrams.frame) == 0 and counts.udp == 0
    assert getattr(counts, count) == 1


def test_what_the_capture_cut_raises_no_fault() -> None:
    whole = frames.ethernet(ipv4(udp(PAYLOAD)))
    for end in range(len(whole)):
        found, counts, _ = dissect([whole[:end]], originals=[len(whole)])
        assert len(found.datagrams.frame) == 0 and counts.cut == 1, end
    assert dissect([whole[:40]], link=147)[1].other_link_types == 1
    found, _, _ = dissect([whole[:end] for end in (41, 42, 45)], originals=[len(whole)] * 3)
    assert found.hidden.all() and list(found.hidden_port) == [-1, 5568, 5568]


def test_a_segmenting_card_leaves_no_total_length() -> None:
    assert payloads([frames.ethernet(ipv4(udp(PAYLOAD), total=0))]) == [PAYLOAD]


def test_groups_and_neighbours_are_handed_on() -> None:
    igmp = frames.ethernet(ipv4(bytes(8), protocol=2, options=b"\x94\x04\0\0"))
    mld = frames.ethernet(ipv6(bytes(24), 0, b"\x3a\0\x05\x02\0\0\x01\0"), 0x86DD)
    found, _, _ = dissect([igmp, frames.ethernet(bytes(28), 0x0806), mld])
    assert [(frame, end - begin) for frame, begin, end, _ in found.igmp] == [(0, 8)]
    assert [(frame, end - begin) for frame, begin, end in found.arp] == [(1, 28)]
    assert [(frame, end - begin) for frame, begin, end, _ in found.icmpv6] == [(2, 24)]


@given(st.lists(st.binary(max_size=120), min_size=1, max_size=6), st.sampled_from([0, 1, 101, 108, 113, 229, 276, 9]))
@settings(max_examples=200, deadline=None)
def test_any_frames_stay_within_themselves(packets: list[bytes], link: int) -> None:
    found, counts, records = dissect(packets, link)
    at = found.datagrams
    assert (at.payload >= records.start[at.frame]).all()
    assert (at.payload + at.length <= (records.start + records.captured)[at.frame]).all()
    apart = counts.other_link_types + counts.not_ip + counts.not_udp + counts.fragments + counts.malformed + counts.cut
    apart += counts.mpls + counts.pppoe + counts.arp + counts.groups
    assert counts.udp + apart == counts.frames == len(packets)


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_damaged_frames_stay_within_themselves(data: st.DataObject) -> None:
    link, frame, _ = data.draw(st.sampled_from(LINKS))
    changed = bytearray(frame)
    for _ in range(data.draw(st.integers(1, 4))):
        changed[data.draw(st.integers(0, len(changed) - 1))] = data.draw(st.integers(0, 255))
    test_any_frames_stay_within_themselves.hypothesis.inner_test([bytes(changed), frame], link)  # type: ignore[attr-defined]
