"""The model as a whole: life and death of streams, windows, splitting, and what keeps nothing alive."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
import sacn
from sacn.messages.data_packet import DataPacket

from slotwatch.house.schema import DeclaredUniverse, House, Limits
from slotwatch.model.announced_ends import announced_ends
from slotwatch.model.endings import ALONE_NS
from slotwatch.model.model import Model
from slotwatch.model.streams import EVERY_STEP
from slotwatch.model.windows import FRAMES, LOST
from slotwatch.wire.fields import OPTION_PREVIEW, OPTION_TERMINATED
from slotwatch.wire.universe import Protocol, UniverseId
from tests.model.packets import MS, SECOND, START, Bench, Sent, artnet, cid, e131, frames
from tests.sweep import swept

TIMEOUT = 2_500_000_000


def test_a_healthy_stream_is_counted_and_measured() -> None:
    bench = Bench()
    bench.feed(frames(441, every_ns=22_675_737))
    bench.model.advance(START + 10 * SECOND)
    row = bench.stream()
    streams = bench.model.streams
    assert streams.frames[row] == streams.packets[row] == 441
    assert streams.live[row] and streams.sequence_measurable[row]
    assert streams.lost_frames[row] == streams.discarded[row] == streams.repeated[row] == 0
    assert streams.frames_5s[row] / 5 == pytest.approx(44.1, rel=0.005)
    assert streams.stepped_5s[row] == streams.changed_5s[row] == streams.frames_5s[row]
    universe = bench.universe()
    assert bench.model.universes.frames[universe] == 441
    assert bench.model.universes.winner[universe] == row
    assert bench.model.universes.last_frame_ns[universe] == streams.last_frame_ns[row]


@pytest.mark.parametrize(
    ("protocol", "timeout_ns"), [(Protocol.E131, TIMEOUT), (Protocol.ARTNET, 10 * SECOND), (Protocol.LINE, SECOND)]
)
def test_a_stream_is_lost_past_its_protocols_timeout(protocol: Protocol, timeout_ns: int) -> None:
    """2.5 s: E1.31 6.7.1. 10 s: Art-Net's merge hold. 1 s: E1.11, no break for a second is no DMX512."""
    data = {
        Protocol.E131: e131(bytes(512)),
        Protocol.ARTNET: artnet(bytes(512), universe=1),
        Protocol.LINE: bytes(513),
    }[protocol]
    bench = Bench()
    bench.feed([Sent(START, data, protocol=protocol, port=1)])
    row = bench.stream(1, protocol=protocol)
    bench.model.advance(START + timeout_ns)
    assert bench.model.streams.live[row] and bench.model.universes.live[bench.universe(1, protocol)] == 1
    bench.model.advance(START + timeout_ns + 1)
    assert not bench.model.streams.live[row] and bench.model.universes.live[bench.universe(1, protocol)] == 0
    assert bench.model.streams.lost_ns[row] == START + timeout_ns
    assert bench.model.universes.winner[bench.universe(1, protocol)] == -1


def test_a_universes_own_limit_wins() -> None:
    declared = DeclaredUniverse(UniverseId(Protocol.E131, 1), limits=Limits(loss_timeout_s=4))
    bench = Bench(House(universes=(declared,)))
    bench.feed(frames(1))
    bench.model.advance(START + 4 * SECOND)
    assert bench.model.streams.live[bench.stream()]
    bench.model.advance(START + 4 * SECOND + MS)
    assert not bench.model.streams.live[bench.stream()]


def test_a_terminated_stream_is_gone_at_once_and_can_return() -> None:
    """E1.31 6.2.6: three packets with bit 6, whose levels are not used."""
    bench = Bench()
    bench.feed(frames(20))
    at = START + 500 * MS
    bench.feed([Sent(at + i, e131(b"\xff" * 512, sequence=20 + i, options=OPTION_TERMINATED)) for i in range(3)])
    bench.model.advance(at + MS)
    row, streams = bench.stream(), bench.model.streams
    assert not streams.live[row] and streams.lost_ns[row] == at
    assert streams.terminated[row] == 3 and streams.frames[row] == 20
    assert bench.model.universes.live[bench.universe()] == 0
    assert streams.levels[row][0] == 19 * 5
    bench.feed(frames(2, start_ns=at + SECOND, first_sequence=15))
    bench.model.advance(at + 2 * SECOND)
    # A source that ended is forgotten, so its next number is accepted whatever it is.
    assert streams.live[row] and streams.frames[row] == 22 and streams.lost_ns[row] == 0
    assert streams.since_ns[row] == at + SECOND


def ending(at_ns: int, sequence: int, count: int = 1) -> list[Sent]:
    """Packets with the stream-terminated bit, 1 ms apart."""
    return [
        Sent(at_ns + i * MS, e131(b"\xff" * 512, sequence=sequence + i, options=OPTION_TERMINATED))
        for i in range(count)
    ]


def test_a_stream_that_goes_on_sending_does_not_end_by_one_forged_packet() -> None:
    """With the source's own address and the very next number, after every 20 frames; the source itself continues."""
    bench = Bench()
    sent = frames(200)
    sent += [one for i in range(19, 200, 20) for one in ending(START + i * 25 * MS + 5 * MS, i + 1)]
    bench.feed_split(sorted(sent, key=lambda packet: packet.t_ns), [1])
    bench.model.advance(START + 5 * SECOND)
    row, streams = bench.stream(), bench.model.streams
    assert streams.live[row] and streams.since_ns[row] == START and streams.terminated[row] == 10
    assert streams.last_terminated_ns[row] == 0


@pytest.mark.parametrize("size", [1, 400])
def test_ends_forged_two_in_a_row_are_believed_a_few_times_and_then_only_with_silence(size: int) -> None:
    """With the source's own address and the next numbers, every half second, in batches of one packet or of all."""
    bench = Bench()
    row, streams, begun, at_ns = 0, bench.model.streams, set(), START
    for turn in range(20):
        desk = frames(20, start_ns=at_ns, first_sequence=20 * turn % 256)
        bench.feed_split([*desk, *ending(at_ns + 480 * MS, (20 * turn + 20) % 256, 2)], [size])
        at_ns += 500 * MS
        bench.model.advance(at_ns - 10 * MS)
        row = bench.stream()
        begun.add(int(streams.since_ns[row]))
    assert len(begun) <= 4 and streams.false_ends[row] >= 15
    # The last two were the truth: nothing follows.
    bench.model.advance(at_ns + 1_200 * MS)
    assert not streams.live[row] and streams.lost_ns[row] == at_ns - 20 * MS


@pytest.mark.parametrize("count", [1, 3])
def test_an_end_with_numbers_that_do_not_fit_changes_nothing(count: int) -> None:
    bench = Bench()
    bench.feed(frames(100))
    bench.feed(ending(START + 99 * 25 * MS + MS, 200, count))
    bench.feed(frames(20, start_ns=START + 2500 * MS, first_sequence=100))
    bench.model.advance(START + 3 * SECOND)
    row, streams = bench.stream(), bench.model.streams
    assert streams.live[row] and streams.since_ns[row] == START and streams.last_terminated_ns[row] == 0
    assert (streams.frames[row], streams.lost_frames[row], streams.discarded[row]) == (120, 0, 0)


@pytest.mark.parametrize("later_s", [60, 3600])
def test_an_end_that_was_announced_stays_so_where_others_end_another_universe_an_hour_later(later_s: int) -> None:
    """Somebody who sends one an hour later says nothing about it; common practice, no source."""
    bench, number = Bench(), 100
    bench.feed(frames(number))
    bench.feed(ending(START + number * 25 * MS, number, 3))
    at_ns = START + later_s * SECOND
    other = [Sent(at_ns + i * 25 * MS, e131(bytes(512), universe=2, sequence=i)) for i in range(80)]
    forged = Sent(at_ns + 40 * 25 * MS - MS, e131(bytes(512), universe=2, sequence=40, options=OPTION_TERMINATED))
    bench.feed(sorted([*other, forged], key=lambda packet: packet.t_ns))
    bench.model.advance(at_ns + 3 * SECOND)
    streams = bench.model.streams
    assert streams.last_false_end_ns.any()
    assert announced_ends(streams)[bench.stream()] == (later_s == 3600)


@pytest.mark.parametrize("options", [OPTION_PREVIEW, OPTION_TERMINATED])
@pytest.mark.parametrize("size", [1, 3, 400])
def test_what_lies_between_the_numbers_of_frames_and_of_packets_that_nobody_shows_is_no_loss(
    options: int, size: int
) -> None:
    """Table 4-1 options: receivers show neither, and anyone can send one. Each frame of the sender came."""
    bench, chance = Bench(), random.Random(3)
    forged = [
        Sent(START + i * 25 * MS + 9 * MS, e131(bytes(512), sequence=chance.randrange(256), options=options))
        for i in range(100, 300, 3)
    ]
    bench.feed_split(sorted(frames(400) + forged, key=lambda packet: packet.t_ns), [size])
    bench.model.advance(START + 11 * SECOND)
    row = bench.stream()
    assert bench.model.streams.lost_frames[row] == 0


def test_one_last_packet_is_believed_once_nothing_follows() -> None:
    """Two of three were lost on the way: E1.31 6.6.2 has a source at rest send at least each second."""
    bench = Bench()
    bench.feed(frames(100))
    at = START + 100 * 25 * MS
    bench.feed(ending(at, 100))
    bench.model.advance(at + SECOND)
    row, streams = bench.stream(), bench.model.streams
    assert streams.live[row] and bench.model.soonest_loss_ns() == at + ALONE_NS
    bench.model.advance(at + ALONE_NS + MS)
    assert not streams.live[row] and streams.lost_ns[row] == streams.last_terminated_ns[row] == at


def test_a_source_that_was_lost_may_start_with_any_number() -> None:
    bench = Bench()
    bench.feed(frames(20))
    bench.feed(frames(5, start_ns=START + 4 * SECOND, first_sequence=10))
    bench.model.advance(START + 5 * SECOND)
    row = bench.stream()
    assert bench.model.streams.discarded[row] == 0
    assert bench.model.streams.frames[row] == 25
    assert bench.model.streams.lost_frames[row] == 0


def test_preview_keeps_nothing_alive() -> None:
    bench = Bench()
    bench.feed(Sent(START + i * 25 * MS, e131(b"\x10" * 512, sequence=i, options=OPTION_PREVIEW)) for i in range(40))
    bench.model.advance(START + SECOND)
    row = bench.stream()
    assert not bench.model.streams.live[row]
    assert bench.model.streams.preview[row] == 40 and bench.model.streams.frames[row] == 0
    assert bench.model.universes.frames[bench.universe()] == 0
    assert bench.model.universes.last_preview_ns[bench.universe()] == START + 39 * 25 * MS
    assert not bench.model.levels[bench.universe()].any()


def test_slot_priorities_share_the_series_and_keep_nothing_alive() -> None:
    """E1.31 6.2.5: one series for a universe, whatever the start code; a listener that skips 0xDD sees gaps."""
    bench = Bench()
    sent = []
    for index in range(60):
        code = 0xDD if index % 10 == 9 else 0
        sent.append(Sent(START + index * 25 * MS, e131(b"\x64" * 512, sequence=index, start_code=code)))
    bench.feed(sent)
    row = bench.stream()
    assert bench.model.streams.lost_frames[row] == 0
    bench.model.advance(START + 2 * SECOND)
    assert bench.model.streams.frames[row] == 54
    assert bench.model.streams.slot_priority_slots[row] == 512
    later = START + 60 * 25 * MS
    for index in range(30):
        bench.feed([Sent(later + index * 100 * MS, e131(b"\x64" * 512, sequence=60 + index, start_code=0xDD))])
    bench.model.advance(later + 3 * SECOND)
    assert not bench.model.streams.live[row]


def test_a_stuck_sequence_keeps_its_universe_alive_though_receivers_discard_it() -> None:
    bench = Bench()
    bench.feed(Sent(START + i * 25 * MS, e131(bytes((i % 256,)) * 512, sequence=9)) for i in range(200))
    bench.model.advance(START + 5 * SECOND)
    row, streams = bench.stream(), bench.model.streams
    assert streams.live[row] and bench.model.universes.live[bench.universe()] == 1
    assert streams.sequence_stuck[row] and not streams.sequence_measurable[row]
    assert streams.lost_frames[row] == 0 and streams.lost_10s[row] == 0
    assert streams.frames[row] == 1 and streams.discarded[row] == 199
    assert streams.last_arrival_ns[row] == START + 199 * 25 * MS
    assert bench.model.universes.last_arrival_ns[bench.universe()] == START + 199 * 25 * MS


def test_steps_by_the_number_of_universes_are_no_loss() -> None:
    bench = Bench()
    bench.feed(frames(200)[::1])
    bench = Bench()
    bench.feed(Sent(START + i * 25 * MS, e131(b"\1" * 512, universe=2, sequence=i * 7 % 256)) for i in range(400))
    bench.model.advance(START + 10 * SECOND)
    row = bench.stream(2)
    assert bench.model.streams.sequence_step[row] == 7
    assert not bench.model.streams.sequence_measurable[row]
    assert bench.model.streams.lost_frames[row] == 0 and bench.model.streams.lost_10s[row] == 0


def test_missing_frames_are_counted_per_stream_and_window() -> None:
    bench = Bench()
    kept = [packet for index, packet in enumerate(frames(400)) if index not in (100, 101, 300)]
    bench.feed(kept)
    row, streams = bench.stream(), bench.model.streams
    bench.model.advance(START + 10 * SECOND - MS)
    assert streams.lost_frames[row] == 3 and streams.lost_10s[row] == 3
    bench.model.advance(START + 13 * SECOND)
    # The first two, missed at 2.55 s, have left the window of 10 s; the third, at 7.525 s, has not.
    assert streams.lost_frames[row] == 3 and streams.lost_10s[row] == 1


def test_three_of_the_last_ten_are_known_as_such() -> None:
    bench = Bench()
    sent = frames(60)
    bench.feed([packet for index, packet in enumerate(sent[:40]) if index not in (33, 35, 37)])
    row = bench.stream()
    assert bench.model.streams.lost_of_last_10[row] == 3
    bench.feed(sent[40:46])
    assert bench.model.streams.lost_of_last_10[row] == 1
    bench.feed(sent[46:])
    assert bench.model.streams.lost_of_last_10[row] == 0


def test_copies_within_ten_milliseconds_are_copies_and_later_ones_repeats() -> None:
    bench = Bench()
    sent = []
    for packet in frames(40, first_sequence=1):
        sent += [packet, Sent(packet.t_ns + 10 * MS, packet.data)]
    bench.feed(sent)
    bench.model.advance(START + SECOND)
    row, streams = bench.stream(), bench.model.streams
    assert streams.copies_5s[row] == 40 and streams.repeated[row] == 40
    assert streams.discarded[row] == 0 and not streams.sequence_stuck[row]
    bench = Bench()
    sent = []
    for packet in frames(40, first_sequence=1):
        sent += [packet, Sent(packet.t_ns + 10 * MS + 1, packet.data)]
    bench.feed(sent)
    bench.model.advance(START + SECOND)
    row, streams = bench.stream(), bench.model.streams
    assert streams.copies_5s[row] == 0 and streams.repeated[row] == streams.discarded[row] == 40


def test_same_number_with_other_levels_is_no_copy() -> None:
    bench = Bench()
    bench.feed([Sent(START, e131(b"\1" * 512, sequence=5)), Sent(START + MS, e131(b"\2" * 512, sequence=5))])
    bench.model.advance(START + SECOND)
    assert bench.model.streams.copies_5s[bench.stream()] == 0
    assert bench.model.streams.discarded[bench.stream()] == 1


def test_levels_and_priorities_with_one_number_are_no_copies_of_each_other() -> None:
    """Numbers that stand: each second a keep-alive and its 0xDD, 0.1 ms apart (E1.31-2018 6.7.2: not in sequence)."""
    levels, priorities = e131(b"\1" * 512, sequence=5), e131(b"\x64" * 512, sequence=5, start_code=0xDD)
    bench = Bench()
    for second in range(20):
        at_ns = START + second * SECOND
        bench.feed([Sent(at_ns, levels), Sent(at_ns + MS // 10, priorities)])
    bench.model.advance(START + 20 * SECOND)
    assert bench.model.streams.copies_5s[bench.stream()] == 0
    assert bench.model.streams.sequence_stuck[bench.stream()]


def test_priorities_that_come_twice_are_copies() -> None:
    bench = Bench()
    sent = []
    for packet in frames(40, first_sequence=1):
        number = 2 * (len(sent) // 3)
        levels = e131(b"\1" * 512, sequence=number + 1)
        priorities = e131(b"\x64" * 512, sequence=number + 2, start_code=0xDD)
        at_ns = packet.t_ns
        sent += [Sent(at_ns, levels), Sent(at_ns + MS, priorities), Sent(at_ns + 2 * MS, priorities)]
    bench.feed(sent)
    bench.model.advance(START + SECOND)
    assert bench.model.streams.copies_5s[bench.stream()] == 40


def test_a_clones_two_series_never_mix() -> None:
    """One CID from two addresses: two streams, each with its own healthy series."""
    bench = Bench()
    sent = sorted(
        [*frames(100, src="10.20.0.10"), *frames(100, src="10.20.0.11", first_sequence=77, start_ns=START + 7)],
        key=lambda packet: packet.t_ns,
    )
    bench.feed(sent)
    bench.model.advance(START + 3 * SECOND)
    for address in ("10.20.0.10", "10.20.0.11"):
        row = bench.stream(address=address)
        assert bench.model.streams.frames[row] == 100
        assert bench.model.streams.discarded[row] == bench.model.streams.lost_frames[row] == 0
    source = int(bench.model.streams.source[bench.stream(address="10.20.0.10")])
    assert bench.model.sources[source].addresses == ("10.20.0.10", "10.20.0.11")


@pytest.mark.parametrize(
    ("dst", "kind", "universe"),
    [
        ("239.255.1.44", 1, 300),
        ("239.255.1.45", 2, 301),
        ("ff18::8300:12c", 1, 300),
        ("ff18::8300:12d", 2, 301),
        ("255.255.255.255", 3, 0),
        ("10.20.0.99", 4, 0),
        ("", 0, 0),
    ],
)
def test_destination_is_reported_apart(dst: str, kind: int, universe: int) -> None:
    """239.255.hi.lo and ff18::8300:hhll: E1.31 Tables 9-10 to 9-12. 300 is 0x012C."""
    bench = Bench()
    bench.feed(frames(3, universe=300, dst=dst))
    row = bench.stream(300)
    assert bench.model.streams.destination_kind[row] == kind
    assert bench.model.streams.destination_universe[row] == universe
    assert (bench.model.streams.last_wrong_group_ns[row] == START + 50 * MS) == (kind == 2)


def test_artnet_streams_are_reported_apart_by_address_and_physical_port() -> None:
    bench = Bench()
    for physical, address in ((0, "10.0.0.1"), (1, "10.0.0.1"), (0, "10.0.0.2")):
        data = artnet(b"\1" * 512, universe=3, physical=physical)
        bench.feed([Sent(START, data, address, protocol=Protocol.ARTNET)])
    bench.model.advance(START)
    assert bench.model.universes.live[bench.universe(3, Protocol.ARTNET)] == 3


def test_artnet_without_sequence_is_healthy_and_not_measurable() -> None:
    bench = Bench()
    bench.feed(Sent(START + i * 25 * MS, artnet(bytes((i % 256,)) * 512), protocol=Protocol.ARTNET) for i in range(200))
    bench.model.advance(START + 5 * SECOND)
    row, streams = bench.stream(0, protocol=Protocol.ARTNET), bench.model.streams
    assert streams.frames[row] == 200 and streams.lost_frames[row] == 0 and streams.repeated[row] == 0
    assert not streams.sequence_measurable[row] and not streams.sequence_stuck[row]


def test_artnet_wrap_from_255_to_1_is_no_loss_and_a_real_gap_is() -> None:
    numbers = [index % 255 + 1 for index in range(600)]
    sent = [
        Sent(START + i * 25 * MS, artnet(b"\1" * 512, sequence=number), protocol=Protocol.ARTNET)
        for i, number in enumerate(numbers)
    ]
    bench = Bench()
    bench.feed(sent)
    assert bench.model.streams.lost_frames[bench.stream(0, protocol=Protocol.ARTNET)] == 0
    bench = Bench()
    bench.feed([packet for i, packet in enumerate(sent) if i not in (254, 255, 300)])
    assert bench.model.streams.lost_frames[bench.stream(0, protocol=Protocol.ARTNET)] == 3


def test_a_sender_of_another_library_is_judged_healthy() -> None:
    """The sacn package composes the packets; 44 Hz over 12 s, a wrap of the sequence and a bit of everything."""
    packet = DataPacket(cid=tuple(range(16)), sourceName="another desk", universe=7, priority=120)
    sent = []
    for index in range(12 * 44):
        packet.sequence = index % 256
        packet.dmxData = tuple((index * 3 + slot) % 256 for slot in range(512))
        sent.append(Sent(START + index * SECOND // 44, bytes(packet.getBytes()), dst="239.255.0.7"))
    bench = Bench()
    bench.feed_split(sent, [1, 7, 64])
    bench.model.advance(START + 12 * SECOND)
    row, streams = bench.stream(7), bench.model.streams
    assert streams.frames[row] == 12 * 44
    assert streams.lost_frames[row] == streams.discarded[row] == streams.repeated[row] == 0
    assert streams.sequence_measurable[row] and streams.destination_kind[row] == 1
    assert streams.priority[row] == 120 and streams.slots[row] == 512
    assert streams.frames_10s[row] / 10 == pytest.approx(44, rel=0.003)
    assert streams.uneven_10s[row] == 0 and streams.copies_5s[row] == 0
    assert bench.model.sources[int(streams.source[row])].source_name == "another desk"
    assert sacn.__name__ == "sacn"


def state(model: Model) -> dict[str, Any]:
    """Everything that the tables hold of rows in use."""
    # While a series is steady its last number is in `sequence` alone.
    steady = model.streams.expected_step != EVERY_STEP
    model.streams.series_seen[steady] = model.streams.sequence[steady]
    return {
        f"{name}.{column}": getattr(table, column)[: table.top].tolist()
        for name, table in (("streams", model.streams), ("universes", model.universes), ("sources", model.sources))
        for column in table.column_names
        # When a name is looked at again depends on which packet a batch ends with; the name does not.
        if column != "name_read_ns"
    }


def traffic(seed: int) -> list[Sent]:
    """Packets of a few odd senders: jumps, repeats, preview, ends, 0xDD, short frames, pauses."""
    chance = np.random.default_rng(seed)

    def pick(*choices: Any) -> Any:
        return choices[int(chance.integers(len(choices)))]

    sent = []
    t_ns = START
    numbers: dict[tuple[int, int], int] = {}
    wild = pick(True, False)
    for _ in range(int(chance.integers(20, 200))):
        t_ns += pick(0, 1, MS, 9 * MS, 23 * MS, 23 * MS, 23 * MS, 120 * MS, pick(SECOND, 3 * SECOND, 30 * MS))
        sender, universe = pick(1, 2), pick(1, 2)
        step = pick(1, 1, 1, 1, 0, 2, 5, 255, 250, 200, 130) if wild else pick(*[1] * 20, 2)
        number = numbers[sender, universe] = (numbers.get((sender, universe), 0) + step) % 256
        data = bytes((pick(0, 0, 3, 200),)) * pick(512, 512, 24, 2)
        options = pick(0, 0, 0, 0, 0, OPTION_PREVIEW, OPTION_TERMINATED) if wild else 0
        code = pick(0, 0, 0, 0, 0xDD, 0x17)
        if pick(True, True, False):
            packet = e131(
                data, universe=universe, sequence=number, source=cid(sender), options=options, start_code=code
            )
            sent.append(Sent(t_ns, packet, f"10.0.0.{sender}", pick("", "239.255.0.1")))
        else:
            packet = artnet(data, universe=universe, sequence=number)
            sent.append(Sent(t_ns, packet, f"10.0.0.{sender}", protocol=Protocol.ARTNET))
    return sent


@pytest.mark.parametrize("seed", swept(range(40), every=5))
def test_the_same_packets_in_other_batches_give_the_same_state(seed: int) -> None:
    sent = traffic(seed)
    benches = [Bench() for _ in range(4)]
    for bench, sizes in zip(benches, ([1], [len(sent)], [3, 1, 7], [16]), strict=True):
        bench.feed_split(sent, sizes)
        bench.model.advance(sent[-1].t_ns + 150 * MS)
    expected = state(benches[0].model)
    for other in benches[1:]:
        found = state(other.model)
        assert {key for key in expected if not np.array_equal(expected[key], found[key])} == set()


def test_a_clock_that_stops_or_goes_back_a_little_changes_nothing() -> None:
    bench = Bench()
    bench.feed(frames(10))
    bench.model.advance(START + SECOND)
    bench.model.advance(START)
    assert bench.model.now_ns == START + SECOND
    bench.feed([Sent(START + 999 * MS, e131(b"\1" * 512, sequence=10))])
    bench.model.advance(START + SECOND)
    assert bench.model.streams.frames[bench.stream()] == 11


def test_windows_are_empty_after_a_long_leap_and_fill_again() -> None:
    bench = Bench()
    bench.feed(frames(100))
    bench.model.advance(START + 7 * 3600 * SECOND)
    row, streams = bench.stream(), bench.model.streams
    assert streams.frames_1s[row] == streams.frames_10s[row] == streams.stepped_5s[row] == 0
    assert streams.max_gap_10s_ns[row] == 0 and streams.frames[row] == 100
    bench.feed(frames(40, start_ns=START + 7 * 3600 * SECOND))
    bench.model.advance(START + 7 * 3600 * SECOND + SECOND)
    assert streams.frames_1s[row] == 40


@pytest.mark.parametrize("gap_s", [11.6, 12.1, 12.3, 13, 61.7, 700])
def test_a_silence_in_one_leap_leaves_what_its_steps_leave(gap_s: float) -> None:
    """Reference: the same silence in steps of 100 ms, in which every bucket is turned."""
    benches = Bench(), Bench()
    again_ns = START + round(gap_s * SECOND)
    for bench in benches:
        bench.feed(frames(7, every_ns=130 * MS))
        bench.feed([*frames(40, source=cid(2), src="10.20.0.11", universe=2), Sent(START + SECOND, b"?")])
        bench.model.advance(START + 4 * SECOND)
        assert not bench.model.streams.live.any()
    for at_ns in range(START + 4 * SECOND, again_ns, 100 * MS):
        benches[1].model.advance(at_ns)
    for more in ([], frames(30, start_ns=again_ns), frames(3, start_ns=again_ns + 2 * SECOND)):
        for bench in benches:
            bench.feed(more)
            bench.model.advance(max([again_ns, *(packet.t_ns for packet in more)]) + 50 * MS)
        tables = [bench.model.streams for bench in benches]
        for name in vars(tables[0]):
            one, other = (getattr(table, name) for table in tables)
            if isinstance(one, np.ndarray):
                np.testing.assert_array_equal(one[: tables[0].top], other[: tables[1].top], err_msg=name)
        sums = [bench.model.streams.windows.sums((FRAMES, LOST), 70) for bench in benches]
        np.testing.assert_array_equal(*sums)


def test_a_new_house_keeps_what_was_heard() -> None:
    bench = Bench()
    bench.feed(frames(50))
    bench.model.advance(START + SECOND)
    row = bench.stream()
    declared = DeclaredUniverse(UniverseId(Protocol.E131, 1), limits=Limits(loss_timeout_s=1.0))
    bench.model.take_house(House(universes=(declared, DeclaredUniverse(UniverseId(Protocol.E131, 9)))))
    bench.model.advance(START + 2 * SECOND)
    assert bench.model.streams.frames[row] == 50
    assert bench.model.universes.declared[bench.universe()] == 0
    assert bench.model.universes.loss_timeout_ns[bench.universe()] == bench.model.streams.timeout_ns[row] == SECOND
    assert bench.model.universes.declared[bench.universe(9)] == 1
    bench.model.take_house(House())
    assert (0, 1, 9) not in bench.model.universes.by_place
    assert bench.model.universes.declared[bench.universe()] == -1
