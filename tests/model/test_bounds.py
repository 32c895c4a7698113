"""Every table that the network fills has a bound, and a flood only ever pushes out itself."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from random import Random

import numpy as np
import pytest
from numpy.typing import NDArray

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Receiver
from slotwatch.model import newcomers
from slotwatch.model.admission import MOST_BRIEF, EvictionOrder, Newcomer, first_to_go
from slotwatch.model.columns import MAX_ADDRESSES, MAX_SOURCES, MAX_SOURCES_PER_UNIVERSE, MAX_STREAMS
from slotwatch.model.counters import MAX_OFFENDERS, ROOM_AT_ONCE
from slotwatch.model.newcomers import ROOM_AT_ONCE as STREAMS_AT_ONCE
from slotwatch.model.occasions import MAX_NODES, MAX_SYNCS
from slotwatch.model.occasions import ROOM_AT_ONCE as OCCASIONS_AT_ONCE
from slotwatch.wire.universe import Protocol, UniverseId
from tests.model.packets import (
    MS,
    SECOND,
    START,
    Bench,
    Sent,
    artnet_poll_reply,
    cid,
    e131,
    e131_discovery,
    e131_sync,
    frames,
)


def forged(count: int, start_ns: int, every_ns: int, *, first: int = 0, universe: int = 1) -> list[Sent]:
    """This many sources that send one packet each."""
    return [
        Sent(
            start_ns + i * every_ns,
            e131(b"\xff" * 16, universe=universe, source=cid(1000 + first + i), priority=90),
            f"10.9.{(first + i) // 250 % 250}.{(first + i) % 250}",
        )
        for i in range(count)
    ]


def test_a_flood_of_forged_sources_pushes_out_no_live_stream() -> None:
    """1,000 forged sources a second on one universe for 8 s, beside a desk at keep-alive and one at 40 Hz."""
    house = House(
        universes=(DeclaredUniverse(UniverseId(Protocol.E131, 1)),), sources=(DeclaredSource("desk", cid=cid(1)),)
    )
    bench = Bench(house)
    desk = frames(9, every_ns=900 * MS, source=cid(1), level_of=lambda _: 7)
    other = frames(320, every_ns=25 * MS, source=cid(2), src="10.20.0.11")
    flood = forged(8000, START + 50 * MS, MS)
    bench.feed_split(sorted([*desk, *other, *flood], key=lambda packet: packet.t_ns), [64])
    bench.model.advance(START + 8 * SECOND)
    streams = bench.model.streams
    assert streams.filled == MAX_SOURCES_PER_UNIVERSE
    assert streams.frames[bench.stream(1, cid(1))] == 9
    assert streams.frames[bench.stream(1, cid(2))] == 320
    assert streams.lost_frames[bench.stream(1, cid(1))] == streams.lost_frames[bench.stream(1, cid(2))] == 0
    universe = bench.universe()
    kept = bench.model.universes.sources_seen[universe]
    assert bench.model.universes.unkept[universe] == 8002 - kept
    assert bench.model.universes.last_unkept_ns[universe] > START + 7 * SECOND
    assert bench.model.evictions["streams"] == kept - MAX_SOURCES_PER_UNIVERSE
    assert bench.model.unkept["universe"] == bench.model.universes.unkept[universe]


def test_a_declared_source_that_fell_silent_is_not_pushed_out() -> None:
    house = House(sources=(DeclaredSource("desk", cid=cid(1)),))
    bench = Bench(house)
    bench.feed(frames(5, source=cid(1)))
    bench.feed_split(forged(300, START + 10 * SECOND, 100 * MS), [10])
    bench.model.advance(START + 45 * SECOND)
    row = bench.stream(1, cid(1))
    assert not bench.model.streams.live[row] and bench.model.streams.frames[row] == 5


def test_who_was_there_for_long_outlasts_who_came_once() -> None:
    bench = Bench()
    bench.feed(frames(150, source=cid(1)))
    bench.feed_split(forged(300, START + 10 * SECOND, 100 * MS), [10])
    assert bench.model.streams.frames[bench.stream(1, cid(1))] == 150


def twice(sent: list[Sent]) -> list[Sent]:
    """Each of them once more 10 ms later: near a bound who is new has to send twice."""
    return [*sent, *(replace(one, t_ns=one.t_ns + (sent[-1].t_ns - sent[0].t_ns) + 10 * MS) for one in sent)]


def test_streams_over_all_universes_have_a_bound() -> None:
    bench = Bench()
    sent = []
    for index in range(MAX_STREAMS + 500):
        packet = e131(b"\1\1", universe=index % 60_000 + 1, source=cid(index // 60))
        sent.append(Sent(START + index * 10_000, packet, "10.1.0.1"))
    bench.feed_split(twice(sent), [512])
    assert bench.model.streams.filled == MAX_STREAMS
    assert bench.model.unkept["rate"] + bench.model.unkept["streams"] >= 500
    assert bench.model.universes.filled == MAX_STREAMS
    # Ten seconds on all are silent; new ones take the places of the longest silent, their universes go too.
    more = [Sent(START + 10 * SECOND + i * MS, e131(b"\1\1", universe=62_000 + i), "10.1.0.2") for i in range(100)]
    bench.feed_split(twice(more), [10])
    assert bench.model.streams.filled == bench.model.universes.filled
    assert MAX_STREAMS - STREAMS_AT_ONCE < bench.model.streams.filled <= MAX_STREAMS
    assert 100 <= bench.model.evictions["streams"] < 200
    assert (0, 1, 62_099) in bench.model.universes.by_place and (0, 1, 1) not in bench.model.universes.by_place


def test_sources_have_a_bound() -> None:
    bench = Bench()
    sent = [
        Sent(START + i * 10_000, e131(b"\1\1", universe=i % 100 + 1, source=cid(i)), "10.1.0.1")
        for i in range(MAX_SOURCES + 100)
    ]
    bench.feed_split(twice(sent), [512])
    assert bench.model.sources.filled == MAX_SOURCES
    assert bench.model.unkept["sources"] >= 100


def test_new_streams_have_a_rate() -> None:
    """After a first full table no more than 1,000 a second are looked at, so a flood costs a bounded time."""
    bench = Bench()
    ends = [
        Sent(START + i * 10_000, e131(b"\1\1", universe=1 + i // 60, source=cid(i // 60), options=0x40), "10.1.0.1")
        for i in range(MAX_STREAMS)
    ]
    bench.feed_split(ends, [512])
    flood = [forged(1, START + SECOND + i * 500_000, 0, first=i, universe=i % 60_000 + 1)[0] for i in range(8000)]
    bench.feed_split(twice(flood), [50])
    seconds = 2 * 4.0 + 1.0
    kept = sum(bench.model.streams.first_packet_ns > 0)
    assert bench.model.evictions["streams"] + kept <= MAX_STREAMS + 1000 * seconds
    assert sum(bench.model.unkept.values()) > 7000


DESK = DeclaredSource("desk", cid=cid(1))
HOUSES = {
    "by CID": House(sources=(DESK,)),
    "by address": House(sources=(DeclaredSource("desk", address="10.20.0.10"),)),
    "by name": House(sources=(DeclaredSource("desk", source_name="Desk A"),)),
    "by its universe": House(universes=(DeclaredUniverse(UniverseId(Protocol.E131, 7)),)),
}


def flood_of(how: str, count: int, start_ns: int, every_ns: int) -> list[Sent]:
    """New identities from new addresses, none of them the desk's: on any universes, on the desk's, or each twice."""
    sent = []
    for i in range(count):
        who = i // 2 if how == "twice" else i
        universe = 7 if how != "anywhere" else 1 + i % 60_000
        packet = e131(b"\xff\xff", universe=universe, source=b"\x77" * 13 + who.to_bytes(3, "big"), name=b"x")
        sent.append(Sent(start_ns + i * every_ns, packet, f"10.{9 + (who >> 16)}.{who >> 8 & 255}.{who & 255}"))
    return sent


@pytest.mark.parametrize("known", HOUSES)
@pytest.mark.parametrize("how", ["anywhere", "on its universe", "twice"])
def test_forged_sources_never_hide_a_declared_one(known: str, how: str) -> None:
    """5,000 invented senders within 2.6 s, and they continue; a desk that starts 10 s later is there within a
    second."""
    bench = Bench(HOUSES[known])
    bench.feed_split(flood_of(how, 5000, START, 520_000), [64])
    more = flood_of(how, 6000, START + 10 * SECOND, 500_000)
    desk = frames(120, start_ns=START + 10 * SECOND, every_ns=25 * MS, universe=7, source=cid(1), name=b"Desk A")
    bench.feed_split(sorted([*more, *desk], key=lambda packet: packet.t_ns), [64])
    bench.model.advance(START + 13 * SECOND)
    row = bench.stream(7, cid(1))
    assert row >= 0
    assert bench.model.streams.live[row]
    assert bench.model.streams.frames[row] >= 80
    assert bench.model.sources[int(bench.model.streams.source[row])].address == "10.20.0.10"


def test_a_minute_after_a_flood_nothing_of_it_is_left_and_who_sent_longer_is() -> None:
    bench = Bench()
    bench.feed(frames(400, every_ns=25 * MS, source=cid(1)))
    bench.feed_split(flood_of("anywhere", 5000, START + 10 * SECOND, 520_000), [64])
    bench.feed_split(
        [Sent(START + 12 * SECOND + i * MS, e131_discovery([1], source=cid(2000 + i)), "10.1.0.1") for i in range(500)],
        [64],
    )
    bench.model.advance(START + 13 * SECOND)
    assert bench.model.sources.filled > 1000
    for second in range(14, 73):
        bench.model.advance(START + second * SECOND)
    assert (bench.model.streams.filled, bench.model.sources.filled, bench.model.universes.filled) == (1, 1, 1)
    assert bench.stream(1, cid(1)) >= 0


def test_a_sender_that_invented_universes_is_one_like_any_other_once_nothing_of_that_is_left() -> None:
    """What it sends afterwards for two minutes is kept as long as that of others: a person may ask for it."""
    bench, others = Bench(), range(1, 71)

    def keep_alive(universes: Iterable[int], source: int, from_s: int, to_s: int, every_s: int = 2) -> list[Sent]:
        return [
            Sent(
                START + s * SECOND, e131(b"\1", universe=one, source=cid(source), sequence=s % 256), f"10.1.0.{source}"
            )
            for s in range(from_s, to_s, every_s)
            for one in universes
        ]

    invented = keep_alive(range(1001, 1101), 2, 1, 12, 10)  # each twice, ten seconds apart
    sent = keep_alive(others, 1, 0, 240) + invented + keep_alive([500], 2, 60, 180)
    bench.feed_split(sorted(sent, key=lambda packet: packet.t_ns), [64])
    bench.model.advance(START + 239 * SECOND)
    streams = bench.model.streams
    numbers = set(streams.number[streams.rows()].tolist())
    assert numbers == {*others, 500}, "what was invented is gone, and nothing else"
    assert not streams.live[bench.stream(500, cid(2))]


def clones_of(who: str, count: int, start_ns: int, every_ns: int) -> list[Sent]:
    """Senders that all pass for a declared desk: by its CID from other addresses, or by its name under other CIDs."""
    sent = []
    for i in range(count):
        identity = cid(1) if who == "cid" else b"\x66" * 13 + i.to_bytes(3, "big")
        packet = e131(b"\xff\xff", universe=7, source=identity, name=b"Desk A")
        sent.append(Sent(start_ns + i * every_ns, packet, f"10.9.{i >> 8}.{i & 255}"))
    return sent


@pytest.mark.parametrize("who", ["cid", "name"])
def test_those_that_pass_for_a_declared_source_neither_hide_it_nor_stay(who: str) -> None:
    """4,000 within 2 s, and they continue while the real one starts."""
    known = DeclaredSource("Desk A", cid=cid(1)) if who == "cid" else DeclaredSource("Desk A", source_name="Desk A")
    bench = Bench(House(universes=(DeclaredUniverse(UniverseId(Protocol.E131, 7)),), sources=(known,)))
    flood = clones_of(who, 16_000, START, 500_000)
    desk = frames(160, start_ns=START + 4 * SECOND, every_ns=25 * MS, universe=7, source=cid(1), name=b"Desk A")
    bench.feed_split(sorted([*flood, *desk], key=lambda packet: packet.t_ns), [64])
    bench.model.advance(START + 8 * SECOND)
    assert bench.model.streams.frames[bench.stream(7, cid(1), "10.20.0.10")] >= 80
    assert who != "cid" or bench.model.sources.filled <= MAX_ADDRESSES
    for second in range(9, 69):
        bench.model.advance(START + second * SECOND)
    assert (bench.model.streams.filled, bench.model.sources.filled) == (1, 1)
    assert bench.stream(7, cid(1), "10.20.0.10") >= 0


def test_forged_discovery_lists_do_not_keep_a_declared_sources_list_out() -> None:
    """600 senders list 512 universes each (E1.31 8.5: the most of one page), more than is kept in all."""
    bench = Bench(House(sources=(DeclaredSource("desk", cid=cid(1)), DeclaredSource("named", source_name="Desk N"))))
    whole = list(range(1, 513))
    flood = [
        Sent(START + i * MS, e131_discovery(whole, source=cid(2000 + i)), f"10.9.{i >> 8}.{i & 255}")
        for i in range(600)
    ]
    own = [
        Sent(START + SECOND, e131_discovery([1, 2], source=cid(1)), "10.20.0.10"),
        Sent(START + SECOND, e131_discovery([3], source=cid(3), name=b"Desk N"), "10.20.0.11"),
    ]
    bench.feed_split([*flood, *own], [64])
    sources = bench.model.sources
    assert sources.lists.refused > 0
    assert {one.declared_as: one.listed for one in sources if one.declared_as} == {"desk": (1, 2), "named": (3,)}
    for second in range(1, 100):
        bench.model.advance(START + second * SECOND)
    assert sources.lists.universes == [0, 3]


def test_forged_poll_replies_do_not_hide_a_declared_node() -> None:
    """2,000 nodes a second are invented; the declared one answers a poll every 2 s."""
    bench = Bench(House(receivers=(Receiver("rack", "10.20.0.40"),)))
    reply = artnet_poll_reply("10.20.0.40")
    for second in range(START, START + 10 * SECOND, SECOND):
        senders = [f"10.{second // SECOND % 250}.{i >> 8}.{i & 255}" for i in range(2000)]
        flood = [Sent(second + i * MS // 2, reply, one, protocol=Protocol.ARTNET) for i, one in enumerate(senders)]
        own = [Sent(second, reply, "10.20.0.40", protocol=Protocol.ARTNET)] if second // SECOND % 2 == 0 else []
        bench.feed_split([*own, *flood], [64])
        assert bench.model.occasions.node_seen_ns(0, "10.20.0.40") > second - 2 * SECOND
    assert bench.model.occasions.evictions["nodes"] > 10_000


def test_an_identity_at_many_addresses_costs_by_the_bound_and_not_by_its_addresses() -> None:
    """Discovery lists bring no stream; those that were heard for moments only make room, the desk stays."""
    bench = Bench(House(sources=(DeclaredSource("desk", cid=cid(1)),)))
    bench.feed([Sent(START + i * SECOND, e131_discovery([1], source=cid(1)), "10.20.0.10") for i in range(9)])
    lists = [e131_discovery([1], source=cid(1))] * 3000
    bench.feed_split(
        [Sent(START + 9 * SECOND + i * MS, one, f"10.9.{i >> 8}.{i & 255}") for i, one in enumerate(lists)], [64]
    )
    bench.model.advance(START + 13 * SECOND)
    assert bench.model.sources.filled == MAX_ADDRESSES
    assert any(one.address == "10.20.0.10" and len(one.addresses) == MAX_ADDRESSES for one in bench.model.sources)


def test_room_among_the_addresses_of_an_identity_is_not_looked_for_with_each_packet(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """8,000 packets a second in a declared source's name, from each address in turn."""
    looks: list[int] = []

    def counted(standing: EvictionOrder, newcomer: Newcomer, most: int) -> NDArray[np.intp]:
        looks.append(len(standing.idle))
        return first_to_go(standing, newcomer, most)

    monkeypatch.setattr(newcomers, "first_to_go", counted)
    bench = Bench(House(sources=(DeclaredSource("desk", cid=cid(1), address="10.20.0.10"),)))
    packets = [e131(b"\xff", universe=1 + i, source=cid(1)) for i in range(8)]
    made = [
        Sent(START + i * MS // 8, packets[i // 900 % 8], f"10.9.{i % 900 >> 8}.{i % 900 & 255}") for i in range(24_000)
    ]
    bench.feed_split(made, [160])
    assert bench.model.sources.filled == MAX_ADDRESSES
    assert len(looks) <= 3 * 500, "each costs as much as 50 packets"


def test_a_declared_source_outlasts_its_forged_addresses_though_it_was_heard_for_a_moment_and_first() -> None:
    """Its list came once; then others list universes under its CID, at more addresses than are kept."""
    bench = Bench(House(sources=(DeclaredSource("desk", cid=cid(1), address="10.20.0.10"),)))
    own = e131_discovery([1, 2], source=cid(1))
    forged_ones = [Sent(START + SECOND + i * MS, own, f"10.9.{i >> 8}.{i & 255}") for i in range(2 * MAX_ADDRESSES)]
    bench.feed_split([Sent(START, own, "10.20.0.10"), *forged_ones], [64])
    assert bench.model.sources.filled == MAX_ADDRESSES and bench.model.sources.evicted >= MAX_ADDRESSES
    assert [(one.address, one.listed) for one in bench.model.sources if one.declared_as] == [("10.20.0.10", (1, 2))]


def test_a_few_who_were_heard_for_moments_stay_to_be_looked_at() -> None:
    bench = Bench()
    bench.feed_split(flood_of("anywhere", MOST_BRIEF, START, MS), [64])
    bench.model.advance(START + 600 * SECOND)
    assert bench.model.sources.filled == MOST_BRIEF


INVENTORS = {
    "of any": (3000, 62_000, 12),
    "of two thousand, now and then": (400, 2000, 70),
    "many senders": (0, 100, 20),
}
"""Packets a second, from how many universes each is drawn, and seconds; or 200 senders, each 1 frame a second."""


@pytest.mark.parametrize(("hz", "universes", "seconds"), INVENTORS.values(), ids=INVENTORS.keys())
def test_a_minute_after_a_flood_nothing_of_its_universes_is_left(hz: int, universes: int, seconds: int) -> None:
    """Common practice, no source: a minute. Who is declared, and who was heard for long, stays."""
    house = House(
        universes=(DeclaredUniverse(UniverseId(Protocol.E131, 1)),), sources=(DeclaredSource("desk", cid=cid(1)),)
    )
    bench, chance, end_ns = Bench(house), Random(8), START + (60 + seconds) * SECOND
    count = hz * seconds or 200 * seconds
    made = []
    for i in range(count):
        who, universe = (cid(9), 20 + chance.randrange(universes)) if hz else (cid(9 + i % 200), 20 + i % universes)
        at_ns = START + 60 * SECOND + i * seconds * SECOND // count
        made.append(Sent(at_ns, e131(b"\xff", universe=universe, source=who), "10.9.0.9"))
    desk = frames((60 + seconds) // 2, every_ns=2 * SECOND, source=cid(1))
    guest = frames(29, every_ns=2 * SECOND, source=cid(2), universe=15_000, src="10.20.0.11")
    bench.feed_split(sorted([*desk, *guest, *made], key=lambda packet: packet.t_ns), [512])
    streams = bench.model.streams
    assert streams.filled > 200, "that was a flood"
    for second in range(1, 61):
        bench.model.advance(end_ns + second * SECOND)
    assert {number for _, _, number in bench.model.universes.by_place} == {1, 15_000}
    assert streams.filled == 2
    assert bench.model.sources.filled <= 3, "the desk, the guest, and who sent the flood"


def test_a_forged_address_of_a_declared_source_does_not_keep_it_out() -> None:
    """Its address can be forged; then who sends more is let in. The forger sends each identity twice."""
    bench = Bench(HOUSES["by address"])
    flood = [replace(one, src="10.20.0.10") for one in flood_of("twice", 12_000, START, 500_000)]
    desk = frames(80, start_ns=START + 4 * SECOND, every_ns=25 * MS, universe=7, source=cid(1))
    bench.feed_split(sorted([*flood, *desk], key=lambda packet: packet.t_ns), [64])
    bench.model.advance(START + 6 * SECOND)
    row = bench.stream(7, cid(1))
    assert row >= 0 and bench.model.streams.frames[row] >= 60


def test_rows_used_again_start_from_nothing() -> None:
    bench = Bench()
    bench.feed(frames(50, source=cid(1)))
    bench.model.advance(START + 5 * SECOND)
    row = bench.stream(1, cid(1))
    generation = int(bench.model.streams.generation[row])
    bench.model.streams.forget(row)
    bench.feed(frames(3, source=cid(3), start_ns=START + 6 * SECOND, universe=2))
    bench.model.advance(START + 7 * SECOND)
    again = bench.stream(2, cid(3))
    streams = bench.model.streams
    assert again == row and streams.generation[row] == generation + 1
    assert streams.frames[row] == 3 and streams.frames_10s[row] == 3 and streams.interval_count[row] == 2
    assert (0, 1, 1) not in bench.model.universes.by_place


def test_frames_of_a_stream_that_made_room_stay_its_universes() -> None:
    house = House(universes=(DeclaredUniverse(UniverseId(Protocol.E131, 1)),))
    bench = Bench(house)
    bench.feed(frames(50))
    bench.model.streams.forget(bench.stream())
    bench.model.advance(START + 5 * SECOND)
    assert bench.model.universes.frames[bench.universe()] == 50
    assert bench.model.universes.last_frame_ns[bench.universe()] == START + 49 * 25 * MS


def test_what_was_not_heard_for_a_day_is_forgotten() -> None:
    bench = Bench(House(sources=(DeclaredSource("desk", cid=cid(1)),)))
    bench.feed(frames(5, source=cid(1)))
    bench.feed(frames(5, source=cid(2), src="10.20.0.11", universe=2))
    bench.model.advance(START + 86_340 * SECOND)
    assert bench.model.streams.filled == 2
    bench.model.advance(START + 86_520 * SECOND)
    assert bench.model.streams.filled == 1
    assert bench.model.sources.filled == 1
    assert bench.stream(1, cid(1)) >= 0


def test_offenders_have_a_bound_and_who_keeps_on_stays() -> None:
    bench = Bench()
    sent = []
    for index in range(4000):
        sent.append(Sent(START + index * MS, b"rubbish", f"10.8.{index // 250}.{index % 250}"))
        if index % 100 == 0:
            sent.append(Sent(START + index * MS, b"rubbish too", "10.7.0.7"))
    bench.feed_split(sent, [50])
    counters = bench.model.counters
    assert MAX_OFFENDERS - ROOM_AT_ONCE <= len(counters.offenders) <= MAX_OFFENDERS
    assert counters.evictions["offenders"] + counters.unkept["offenders"] > 3500
    worst = counters.rejected_recently(START + 4 * SECOND, 10)
    assert [(one.address[-4:], one.total) for one in worst] == [(bytes((10, 7, 0, 7)), 40)]
    assert counters.rejected_recently(START + 20 * SECOND, 1) == []
    assert sum(counters.rejected_by_reason().values()) == 4040


def test_ten_rejected_in_ten_seconds_are_found_and_nine_are_not() -> None:
    for count in (9, 10):
        bench = Bench()
        bench.feed(Sent(START + i * SECOND, b"?", "10.7.0.7") for i in range(count))
        assert len(bench.model.counters.rejected_recently(START + 9 * SECOND, 10)) == count - 9


def test_rejected_packets_began_with_the_first_of_them_however_they_are_cut_into_batches() -> None:
    """Reference: the time of the first packet after 10 s without any."""
    sent = [Sent(START + i * MS, b"?", "10.7.0.7") for i in range(3)]
    sent += [Sent(START + 30 * SECOND + i * 10 * MS, b"?", "10.7.0.7") for i in range(12)]
    for cuts in (1, 5, len(sent)):
        bench = Bench()
        bench.feed_split(sent, [cuts])
        (one,) = bench.model.counters.offenders.values()
        assert one.began_ns(START + 31 * SECOND) == START + 30 * SECOND


def test_sync_senders_and_nodes_have_bounds() -> None:
    bench = Bench()
    bench.feed_split([Sent(START + i, e131_sync(i % 60_000 + 1), "10.1.0.1") for i in range(MAX_SYNCS + 88)], [100])
    assert MAX_SYNCS - OCCASIONS_AT_ONCE < len(bench.model.occasions.syncs) <= MAX_SYNCS
    assert 88 <= bench.model.evictions["syncs"] < 88 + OCCASIONS_AT_ONCE
    bench.feed_split(
        [
            Sent(START + i, artnet_poll_reply("2.0.0.1"), f"2.0.{i // 250}.{i % 250}", protocol=Protocol.ARTNET)
            for i in range(MAX_NODES + 10)
        ],
        [100],
    )
    assert MAX_NODES - OCCASIONS_AT_ONCE < len(bench.model.occasions.nodes) <= MAX_NODES
    assert 10 <= bench.model.evictions["nodes"] < 10 + OCCASIONS_AT_ONCE


def test_a_flood_of_poll_replies_and_syncs_pushes_out_nobody_who_was_there() -> None:
    """5,000 invented nodes and as many sync masters a second for 4 s, beside a node and a master that were there."""
    bench = Bench()
    node = [
        Sent(START + i * 2500 * MS, artnet_poll_reply("2.9.9.9"), "2.9.9.9", protocol=Protocol.ARTNET) for i in range(6)
    ]
    master = [Sent(START + i * 25 * MS, e131_sync(7, i % 256), "10.20.0.10") for i in range(600)]
    flood = []
    for i in range(20_000):
        at, address = START + 8 * SECOND + i * 200_000, f"2.{i >> 16}.{i >> 8 & 255}.{i & 255}"
        flood.append(Sent(at, artnet_poll_reply(address), address, protocol=Protocol.ARTNET))
        flood.append(Sent(at, e131_sync(i % 60_000 + 1, source=cid(i)), address))
    bench.feed_split(sorted([*node, *master, *flood], key=lambda packet: packet.t_ns), [64])
    occasions = bench.model.occasions
    assert occasions.last_sync_ns(0, Protocol.E131, 7) == master[-1].t_ns
    assert occasions.node_seen_ns(0, "2.9.9.9") == node[-1].t_ns
    assert len(occasions.nodes) <= MAX_NODES and len(occasions.syncs) <= MAX_SYNCS
    for second in range(15, 73):
        bench.model.advance(START + second * SECOND)
    assert (len(occasions.nodes), len(occasions.syncs)) == (1, 1)


def test_a_flood_of_discovery_costs_a_bounded_time() -> None:
    """2,000 a second are looked at; what is over is counted."""
    bench = Bench()
    flood = [Sent(START + i * 100_000, e131_discovery([1], source=cid(i)), "10.1.0.1") for i in range(5000)]
    bench.feed_split(flood, [512])
    assert bench.model.unkept["e131_discovery"] == 3000
    assert bench.model.sources.filled == 2000
    bench.feed([Sent(START + SECOND, e131_discovery([7], source=cid(60_000)), "10.1.0.2")])
    assert any(row.listed == (7,) for row in bench.model.sources)


def test_memory_of_4096_streams_stays_under_40_mib() -> None:
    bench = Bench()
    sent = [
        Sent(START + i * 10_000, e131(bytes(512), universe=i + 1, source=cid(i // 64)), "10.1.0.1") for i in range(4096)
    ]
    bench.feed_split(sent, [512])
    model = bench.model
    windows = model.streams.windows
    held = [value for table in (model.streams, model.universes, model.sources) for value in table.__dict__.values()]
    held += list(windows.__dict__.values())
    total = sum(value.nbytes for value in held if isinstance(value, np.ndarray))
    assert model.streams.filled == 4096
    assert total < 40 * 1024 * 1024, total / 1024 / 1024
