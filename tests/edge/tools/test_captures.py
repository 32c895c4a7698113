"""Captures as batches and observations: what tshark counts, in time order, on a clock that never runs backwards."""

from __future__ import annotations

import gzip
import struct
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from slotwatch.edge.tools import captures
from slotwatch.edge.tools.capture_clock import BASE_NS
from slotwatch.edge.tools.captures import Capture, open_capture
from slotwatch.errors import CaptureError
from slotwatch.house.schema import Network
from slotwatch.wire import compose, pcap_blocks
from slotwatch.wire.batch import FLAG_TRUNCATED, NETWORK_UNKNOWN
from slotwatch.wire.decode import decode
from slotwatch.wire.fields import PacketKind
from slotwatch.wire.observation import ClockStepSeen, MembershipSeen, NeighbourSeen, QuerySeen
from slotwatch.wire.pcap import CaptureInterface
from slotwatch.wire.universe import Protocol
from tests.wire import frames, tshark
from tests.wire.frames import ethernet, ipv4, udp

T = 1_700_000_000_000_000_000
CID = bytes(range(16))
ALL = sorted(tshark.CAPTURES.glob("*.pcap*"))
ASKED = (
    "frame.time_epoch",
    "ip.src",
    "acn.dmx.universe",
    "acn.dmx.seq_number",
    "artnet.output.universe",
    "artnet.output.sequence",
    "artnet.output.length",
    "igmp.type",
    "igmp.maddr",
)
"""What is asked of every packet of a recording, all at once: tshark takes a third of a second to start."""


def data(universe: int = 7, sequence: int = 0) -> bytes:
    return ethernet(ipv4(udp(compose.e131_data(CID, "desk", universe, sequence, bytes(512)))))


def saved(tmp_path: Path, raw: bytes, name: str = "made.pcapng") -> str:
    path = tmp_path / name
    path.write_bytes(raw)
    return str(path)


def opened(tmp_path: Path, packets: list[tuple[int, bytes]], **given) -> Capture:  # type: ignore[no-untyped-def]
    raw = pcap_blocks.header([CaptureInterface(1, "eth1")]) + b"".join(
        pcap_blocks.packet(t, frame) for t, frame in packets
    )
    return open_capture(saved(tmp_path, raw), **given)


def times(capture: Capture) -> list[int]:
    return [int(t) for chunk in capture.chunks() for t in chunk.batch.t_ns]


@pytest.mark.tshark
@pytest.mark.parametrize("path", ALL, ids=lambda path: path.name)
def test_counts_universes_and_sources_are_tsharks(path: Path) -> None:
    """tshark 4.0 reads neither E1.31 sync nor discovery, so of E1.31 its data packets are compared."""
    capture = open_capture(str(path))
    found: Counter[tuple[str, int, int]] = Counter()
    slots: Counter[int] = Counter()
    memberships = 0
    for chunk in capture.chunks():
        fields = decode(chunk.batch)
        memberships += sum(isinstance(seen, QuerySeen | MembershipSeen) for seen in chunk.observations)
        for row in np.flatnonzero(fields.kind == PacketKind.LEVELS):
            source = ".".join(str(one) for one in chunk.batch.src[row, 12:])
            found[source, int(fields.universe[row]), int(fields.sequence[row])] += 1
            slots[int(fields.slots[row])] += 1
    every = tshark.rows(path, "", *ASKED)
    e131 = [(source, *numbers) for _, source, *numbers in (row[:4] for row in every) if numbers[0]]
    art = [(source, universe, sequence) for _, source, _, _, universe, sequence, *_ in every if universe]
    wanted = Counter((source, int(universe, 0), int(sequence, 0)) for source, universe, sequence in e131 + art)
    assert found == wanted
    assert capture.packets == len(every)
    # Queries about one group are none of a network's querier.
    of_groups = [row for row in every if row[7] and not (int(row[7], 0) == 0x11 and row[8] != "0.0.0.0")]
    assert memberships == len(of_groups)
    if art:
        assert slots == Counter(int(row[6]) for row in every if row[4])


@pytest.mark.tshark
@pytest.mark.parametrize("path", ALL, ids=lambda path: path.name)
def test_first_and_last_times_are_tsharks(path: Path) -> None:
    capture = open_capture(str(path))
    list(capture.chunks())
    epochs = [int(float(row[0]) * 1e6) for row in tshark.rows(path, "", *ASKED)]
    assert capture.first_ns is not None and capture.last_ns is not None
    assert abs(capture.first_ns // 1000 - epochs[0]) <= 1 and abs(capture.last_ns // 1000 - epochs[-1]) <= 1


def test_the_first_packet_is_an_hour_in_and_the_wall_clock_is_kept(tmp_path: Path) -> None:
    capture = opened(tmp_path, [(T, data()), (T + 20_000_000, data())])
    assert capture.wall_offset_ns == T - BASE_NS
    (chunk,) = capture.chunks()
    assert list(chunk.batch.t_ns) == [BASE_NS, BASE_NS + 20_000_000]
    assert int(chunk.batch.t_ns[0]) + chunk.batch.wall_offset_ns == T
    assert list(chunk.batch.protocol) == [Protocol.E131] * 2 and capture.end_ns == BASE_NS + 20_000_000


def test_a_clock_that_was_set_back_is_reported_and_time_goes_on(tmp_path: Path) -> None:
    hour = 3600 * 1_000_000_000
    capture = opened(tmp_path, [(T + k * 25_000_000 - (hour if k >= 3 else 0), data()) for k in range(6)])
    chunks = list(capture.chunks())
    found = [int(t) - BASE_NS for chunk in chunks for t in chunk.batch.t_ns]
    assert found[:3] == [0, 25_000_000, 50_000_000]
    assert found[3] == found[2] and np.diff(found[3:]).tolist() == [25_000_000, 25_000_000]
    steps = [seen for chunk in chunks for seen in chunk.observations if isinstance(seen, ClockStepSeen)]
    assert len(steps) == 1 and capture.clock.step_count == 1
    assert steps[0].step_ns == 25_000_000 - hour


def test_a_clock_that_was_set_from_1970_is_no_silence_of_decades(tmp_path: Path) -> None:
    capture = opened(tmp_path, [(40, data()), (50, data()), (T, data()), (T + 20_000_000, data())])
    assert [t - BASE_NS for t in times(capture)] == [0, 10, 10, 20_000_010]
    assert capture.clock.step_count == 1


def test_packets_slightly_out_of_order_keep_their_order_and_time_never_falls(tmp_path: Path) -> None:
    capture = opened(tmp_path, [(T, data()), (T + 2_000_000, data()), (T + 1_000_000, data()), (T + 3_000_000, data())])
    assert [t - BASE_NS for t in times(capture)] == [0, 2_000_000, 2_000_000, 3_000_000]
    assert capture.clock.out_of_order == 1 and capture.clock.step_count == 0


def test_hostile_times_never_overflow(tmp_path: Path) -> None:
    stamps = [0, (1 << 64) - 1, 5, (1 << 63), 7]
    capture = opened(tmp_path, [(t, data()) for t in stamps])
    found = times(capture)
    assert len(found) == 5 and found == sorted(found) and found[0] == BASE_NS


def test_packets_without_a_time_take_that_of_the_one_before(tmp_path: Path) -> None:
    raw = frames.section() + frames.interface(resolution=9) + frames.enhanced(T, data()) + frames.simple(data())
    capture = open_capture(saved(tmp_path, raw))
    assert times(capture) == [BASE_NS, BASE_NS]
    assert any("without a time" in note for note in capture.notes)


def test_observations_come_in_order_with_the_packets(tmp_path: Path) -> None:
    query = ethernet(ipv4(bytes.fromhex("1164ee9b00000000"), 2, "10.0.0.254", "224.0.0.1", b"\x94\x04\0\0"))
    arp = ethernet(bytes.fromhex("00010800060400010200000000010a0000010000000000000a000002"), 0x0806)
    capture = opened(tmp_path, [(T, data()), (T + 1, query), (T + 2, arp), (T + 3, data())])
    (chunk,) = capture.chunks()
    assert [type(seen) for seen in chunk.observations] == [QuerySeen, NeighbourSeen]
    assert [seen.t_ns - BASE_NS for seen in chunk.observations] == [1, 2]


def test_chunks_are_bounded(tmp_path: Path) -> None:
    small = ethernet(ipv4(udp(compose.art_poll(), 6454, 6454)))
    capture = opened(tmp_path, [(T + k, small) for k in range(10_000)])
    sizes = [len(chunk.batch) for chunk in capture.chunks()]
    assert sum(sizes) == 10_000 and max(sizes) <= captures.MOST_ROWS
    assert capture.protocol_packets == 10_000


def test_networks_are_interfaces_and_vlans(tmp_path: Path) -> None:
    def tagged(vlan: int) -> bytes:
        return ethernet(ipv4(udp(compose.e131_data(CID, "desk", 7, 0, b"\0"))), tags=((0x8100, vlan),))

    raw = pcap_blocks.header([CaptureInterface(1, "eth1"), CaptureInterface(1, "eth2")])
    raw += pcap_blocks.packet(T, data()) + pcap_blocks.packet(T, tagged(20), 1) + pcap_blocks.packet(T, tagged(10), 1)
    capture = open_capture(saved(tmp_path, raw))
    assert [network.name for network in capture.networks] == ["eth1", "eth2.10", "eth2.20"]
    assert [int(n) for chunk in capture.chunks() for n in chunk.batch.network] == [0, 2, 1]
    declared = (Network("B", "eth2.10"), Network("A", "eth1"))
    capture = open_capture(saved(tmp_path, raw), declared=declared)
    assert [int(n) for chunk in capture.chunks() for n in chunk.batch.network] == [1, NETWORK_UNKNOWN, 0]
    assert any("eth2.20" in note for note in capture.notes)


def test_a_capture_of_one_interface_is_the_one_declared_network(tmp_path: Path) -> None:
    capture = opened(tmp_path, [(T, data())], declared=(Network("show", "enp7s0"),))
    assert [int(n) for chunk in capture.chunks() for n in chunk.batch.network] == [0]


def test_long_datagrams_are_marked_and_cut(tmp_path: Path) -> None:
    capture = opened(tmp_path, [(T, ethernet(ipv4(udp(bytes(1300)))))])
    batch = next(iter(list(capture.chunks()))).batch
    assert int(batch.length[0]) == 1216 and batch.flags[0] & FLAG_TRUNCATED


def test_gzip_reads_the_same(tmp_path: Path) -> None:
    whole = (tshark.CAPTURES / "sender-npm-sacn-4.6.2.pcapng").read_bytes()
    packed = open_capture(saved(tmp_path, gzip.compress(whole), "packed.pcapng.gz"))
    assert sum(len(chunk.batch) for chunk in packed.chunks()) == 176
    cut = open_capture(saved(tmp_path, gzip.compress(whole)[:-2000], "cut.gz"))
    assert 0 < sum(len(chunk.batch) for chunk in cut.chunks()) < 176
    assert "the gzip stream is cut off" in cut.notes[0]


def test_a_cut_off_capture_is_read_and_reported(tmp_path: Path) -> None:
    whole = (tshark.CAPTURES / "sender-npm-sacn-4.6.2.pcapng").read_bytes()
    capture = open_capture(saved(tmp_path, whole[:-400]))
    assert sum(len(chunk.batch) for chunk in capture.chunks()) == 175
    assert len(capture.notes) == 1 and "cut off" in capture.notes[0]


@pytest.mark.parametrize(
    ("raw", "sentence"),
    [(b"", "it is empty"), (b"GIF89a" + bytes(60), "neither pcap nor pcapng"), (b"\x1f\x8b nothing", "gzip stream")],
)
def test_what_is_no_capture_ends_in_one_line(tmp_path: Path, raw: bytes, sentence: str) -> None:
    with pytest.raises(CaptureError, match=sentence) as raised:
        list(open_capture(saved(tmp_path, raw)).chunks())
    assert len(raised.value.lines) == 1 and "made.pcapng" in raised.value.lines[0]


def test_missing_files_and_directories_end_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="No such file"):
        open_capture(str(tmp_path / "none.pcap"))
    with pytest.raises(CaptureError, match="is a directory"):
        open_capture(str(tmp_path))


def test_an_empty_capture_is_a_capture(tmp_path: Path) -> None:
    capture = open_capture(saved(tmp_path, pcap_blocks.header([CaptureInterface(1)])))
    assert list(capture.chunks()) == [] and capture.packets == 0 and capture.first_ns is None


SENDERS = ((b"a" * 16, "10.0.0.1", 25_000_000), (b"b" * 16, "10.0.0.2", 22_727_272))


def sent(source: int, k: int, shift_ns: int = 0, lost: int = 0, universe: int = 7) -> tuple[int, bytes]:
    """The k-th frame of a sender, stamped later by a shift; `lost` frames were numbered before it and not recorded."""
    cid, address, interval_ns = SENDERS[source]
    packet = compose.e131_data(cid, "desk", universe + source, (k + lost) & 0xFF, bytes([k & 0xFF]) * 512)
    return T + k * interval_ns + shift_ns, ethernet(ipv4(udp(packet), src=address))


def around(shift_s: float, sources: tuple[int, ...], lost: int = 0) -> list[tuple[int, bytes]]:
    """Five seconds of senders, a jump of the stamps, five seconds more."""
    shift_ns = round(shift_s * 1e9)
    packets = [sent(source, k) for source in sources for k in range(200)]
    packets += [sent(source, k, shift_ns, lost) for source in sources for k in range(200, 400)]
    return sorted(packets, key=lambda packet: packet[0])


@pytest.mark.parametrize(
    ("shift_s", "sources", "lost", "is_set"),
    [
        (3600, (0, 1), 0, True),
        (3600, (0,), 0, True),
        (47, (0, 1), 0, True),
        (47, (0,), 0, False),  # one desk may have paused and gone on
        (5, (0, 1), 0, False),  # too short to tell
        (3600, (0, 1), 77, False),  # numbers went on unheard: a silence
        (47, (0, 1), 1, False),
    ],
)
def test_a_clock_that_was_set_forward_is_reported_from_a_silence_by_the_numbers(
    tmp_path: Path, shift_s: float, sources: tuple[int, ...], lost: int, is_set: bool
) -> None:
    capture = opened(tmp_path, around(shift_s, sources, lost))
    found = times(capture)
    assert capture.clock.step_count == int(is_set)
    assert (found[-1] - found[0] < 11_000_000_000) is is_set
    assert found == sorted(found)


def test_a_loss_after_which_the_numbers_fit_by_chance_stays_a_loss(tmp_path: Path) -> None:
    """Both desks lose whole rounds of 256 frames at 40 Hz: 51.2 s."""
    shift_ns = 8 * 256 * 25_000_000
    packets = [(sent(0, k)[0], sent(0, k)[1]) for k in range(200)]
    packets += [(sent(0, k, shift_ns)[0], sent(0, k)[1]) for k in range(200, 400)]
    other = [
        (t, ethernet(ipv4(udp(compose.e131_data(b"c" * 16, "other", 9, k & 0xFF, bytes(9))))))
        for k, (t, _) in enumerate(packets)
    ]
    capture = opened(tmp_path, sorted(packets + other, key=lambda packet: packet[0]))
    list(capture.chunks())
    assert capture.clock.step_count == 0


def test_a_silence_at_a_pieces_edge_is_reported_as_well(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(captures, "PIECE_BYTES", 200 * 720)
    capture = opened(tmp_path, around(3600, (0,)))
    list(capture.chunks())
    assert capture.clock.step_count == 1


def test_rare_packets_are_a_long_day_and_no_set_clock(tmp_path: Path) -> None:
    capture = opened(tmp_path, [(T + k * 86_400_000_000, data(sequence=k)) for k in range(1000)])
    assert times(capture)[-1] - BASE_NS == 999 * 86_400_000_000
    assert capture.clock.step_count == 0


@pytest.mark.tshark
@pytest.mark.parametrize("snap", [20, 60, 96, 167, 168])
def test_what_a_snapshot_length_cut_is_what_tshark_calls_cut(tmp_path: Path, snap: int) -> None:
    """A frame of 126 bytes of E1.31 and 42 of headers is whole at 168."""
    frame = ethernet(ipv4(udp(compose.e131_data(CID, "desk", 7, 0, b""))))
    raw = frames.pcap([(T + k, frame) for k in range(9)], snap=snap)
    capture = open_capture(saved(tmp_path, raw))
    list(capture.chunks())
    cut = tshark.rows(raw, "frame.cap_len < frame.len", "frame.number")
    assert capture.unread["cut"] == capture.hidden == len(cut) == (9 if snap < 168 else 0)
    assert capture.protocol_packets == 9 - len(cut)


@pytest.mark.tshark
def test_reasons_are_tsharks_protocols(tmp_path: Path) -> None:
    four = ipv4(udp(compose.e131_data(CID, "desk", 7, 0, b"\1\2")))
    packets = [ethernet(b"\0\0\x11\x40" + four, 0x8847)] * 3
    packets += [ethernet(b"\x11\0\0\1" + (len(four) + 2).to_bytes(2, "big") + b"\0\x21" + four, 0x8864)] * 2
    packets += [ethernet(ipv4(four[20:], fragment=0x2000))] * 4
    packets += [ethernet(ipv4(bytes(20), protocol=6))] * 5 + [ethernet(four)]
    raw = frames.pcap([(T + k, frame) for k, frame in enumerate(packets)])
    capture = open_capture(saved(tmp_path, raw))
    list(capture.chunks())
    counted = {
        "mpls": len(tshark.rows(raw, "mpls", "frame.number")),
        "pppoe": len(tshark.rows(raw, "pppoes", "frame.number")),
        "fragment": len(tshark.rows(raw, "ip.flags.mf == 1", "frame.number")),
        "no-udp": len(tshark.rows(raw, "tcp", "frame.number")),
    }
    assert counted == {"mpls": 3, "pppoe": 2, "fragment": 4, "no-udp": 5}
    assert {reason: count for reason, count in capture.unread.items() if count} == counted


@pytest.mark.tshark
@pytest.mark.parametrize("order", ["<", ">"])
def test_a_header_that_announces_check_sequences_is_read_as_tshark_reads_it(tmp_path: Path, order: str) -> None:
    """draft-ietf-opsawg-pcap 4: the upper bits of the link type tell of the frame check sequence."""
    raw = bytearray(frames.pcap([(T, data() + b"\xde\xad\xbe\xef")], order=order))
    raw[20:24] = struct.pack(order + "I", 2 << 28 | 1 << 26 | 1)
    capture = open_capture(saved(tmp_path, bytes(raw)))
    (chunk,) = capture.chunks()
    assert len(chunk.batch) == 1 and capture.protocol_packets == 1
    assert tshark.rows(bytes(raw), "", "acn.dmx.universe") == [["7"]]


def test_an_igmp_message_with_a_wrong_checksum_is_not_counted(tmp_path: Path) -> None:
    """RFC 2236 2.3."""
    group = ("10.0.0.254", "224.0.0.1", b"\x94\x04\0\0")
    good, bad = bytes.fromhex("1164ee9b00000000"), bytes.fromhex("1164ee9b00000001")
    capture = opened(tmp_path, [(T + k, ethernet(ipv4(raw, 2, *group))) for k, raw in enumerate((good, bad))])
    seen = [one for chunk in capture.chunks() for one in chunk.observations]
    assert len(seen) == 1 and isinstance(seen[0], QuerySeen)
