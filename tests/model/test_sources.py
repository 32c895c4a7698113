"""Who sends: names, declared matches, discovery lists, sync and nodes."""

from __future__ import annotations

import random

import pytest

from slotwatch.house.schema import DeclaredSource, House
from slotwatch.model.forgetting import forget_old
from slotwatch.model.sources import Sources
from slotwatch.wire.universe import Protocol
from tests.model.packets import (
    MS,
    SECOND,
    START,
    Bench,
    Sent,
    artnet,
    artnet_poll_reply,
    artnet_sync,
    cid,
    e131,
    e131_discovery,
    e131_sync,
    frames,
)


def source_row(bench: Bench, universe: int = 1, protocol: int = Protocol.E131) -> int:
    return int(bench.model.streams.source[bench.stream(universe, protocol=protocol)])


def test_a_source_is_named_by_its_first_packet_and_renamed_within_a_second() -> None:
    bench = Bench()
    bench.feed(frames(1, name=b"Old name"))
    assert bench.model.sources[source_row(bench)].source_name == "Old name"
    bench.feed(frames(80, name="Nächste".encode(), start_ns=START + 25 * MS, first_sequence=1))
    assert bench.model.sources[source_row(bench)].source_name == "Nächste"


MATCHES = [
    (DeclaredSource("d", cid=cid(1)), True),
    (DeclaredSource("d", cid=cid(2)), False),
    (DeclaredSource("d", address="10.20.0.10"), True),
    (DeclaredSource("d", address="10.20.0.11"), False),
    (DeclaredSource("d", source_name="Desk A"), True),
    (DeclaredSource("d", source_name="Desk"), False),
    (DeclaredSource("d", cid=cid(1), address="10.20.0.10", source_name="Desk A"), True),
    (DeclaredSource("d", cid=cid(1), address="10.20.0.10", source_name="Desk B"), False),
    (DeclaredSource("d"), False),
]


@pytest.mark.parametrize(("declared", "matches"), MATCHES)
def test_every_field_that_is_given_must_match(declared: DeclaredSource, matches: bool) -> None:
    bench = Bench(House(sources=(declared,)))
    bench.feed(frames(1))
    assert (bench.model.sources[source_row(bench)].declared_as == "d") is matches
    assert (bench.model.sources.declared[source_row(bench)] == 0) == matches
    later = Bench()
    later.feed(frames(1))
    later.model.take_house(House(sources=(declared,)))
    assert (later.model.sources[source_row(later)].declared_as == "d") is matches


def test_a_declared_cid_is_no_artnet_source() -> None:
    bench = Bench(House(sources=(DeclaredSource("d", cid=bytes(16)),)))
    bench.feed([Sent(START, artnet(b"\1\1"), protocol=Protocol.ARTNET)])
    assert bench.model.sources[source_row(bench, 0, Protocol.ARTNET)].declared_as == ""


def test_a_discovery_list_is_complete_with_its_last_page_and_good_for_20_s() -> None:
    """E1.31 8: pages; 12.2: two intervals of 10 s."""
    bench = Bench()
    bench.feed([Sent(START, e131_discovery([1, 2, 3], 0, 1)), Sent(START + MS, e131_discovery([700, 900], 1, 1))])
    source = next(row for row in bench.model.sources if row.source_id == cid(1))
    assert source.listed == (1, 2, 3, 700, 900) and source.listed_at_ns == START + MS
    bench.model.advance(START + 20 * SECOND)
    assert source.listed is not None
    bench.model.advance(START + 21 * SECOND + MS)
    assert source.listed is None


def test_an_unfinished_list_changes_nothing() -> None:
    bench = Bench()
    bench.feed([Sent(START, e131_discovery([1, 2], 0, 0)), Sent(START + SECOND, e131_discovery([1], 0, 1))])
    source = next(row for row in bench.model.sources if row.source_id == cid(1))
    assert source.listed == (1, 2) and source.listed_at_ns == START
    bench.feed([Sent(START + 2 * SECOND, e131_discovery([], 0, 0))])
    assert source.listed == ()


def test_listed_universes_are_counted_back_when_they_go() -> None:
    bench = Bench()
    for turn in range(50):
        bench.feed([Sent(START + turn * SECOND, e131_discovery(list(range(1, 100 + turn % 3)), 0, 0))])
    assert bench.model.sources.lists.universes[0] <= 2 * 101
    bench.model.advance(START + 100 * SECOND)
    forget_old(bench.model.streams, START + 2 * 86_400 * SECOND)
    assert bench.model.sources.lists.universes == [0, 0] and bench.model.sources.filled == 0


def test_sync_packets_are_known_by_address_and_sender() -> None:
    bench = Bench()
    bench.feed(Sent(START + i * 25 * MS, e131_sync(50, i), "10.20.0.10") for i in range(40))
    bench.feed([Sent(START + SECOND, artnet_sync(), "10.20.0.10", protocol=Protocol.ARTNET)])
    occasions = bench.model.occasions
    assert occasions.last_sync_ns(0, Protocol.E131, 50) == START + 39 * 25 * MS
    assert occasions.last_sync_ns(0, Protocol.E131, 51) == 0
    assert occasions.last_sync_ns(0, Protocol.ARTNET, 0) == START + SECOND
    assert [sync.packets for sync in occasions.syncs.values()] == [40, 1]
    bench.feed([Sent(START + SECOND, e131(b"\1\1", sync=50))])
    assert bench.model.streams.sync_address[bench.stream()] == 50


def test_nodes_are_known_by_address_and_bind_index() -> None:
    bench = Bench()
    for index in (1, 2):
        reply = artnet_poll_reply("2.0.0.9", index, b"Node")
        bench.feed([Sent(START + index, reply, "2.0.0.9", protocol=Protocol.ARTNET)])
    nodes = bench.model.occasions.nodes
    assert set(nodes) == {(0, "2.0.0.9", 1), (0, "2.0.0.9", 2)}
    assert nodes[0, "2.0.0.9", 1].reply.short_name == "Node"
    assert bench.model.occasions.node_seen_ns(0, "2.0.0.9") == START + 2
    assert bench.model.occasions.node_seen_ns(0, "2.0.0.8") == 0


def _input_of(reply: bytes, universe: int) -> bytes:
    """The reply with one port that takes a line in, under a port-address (Art-Net 4, ArtPollReply: SwIn, PortTypes)."""
    packet = bytearray(reply)
    packet[174], packet[186] = 0x40, universe & 15
    packet[18], packet[19] = universe >> 8, universe >> 4 & 15
    return bytes(packet)


def test_an_art_net_source_has_the_name_of_its_own_poll_reply() -> None:
    """Art-Net 4: ArtDmx names nobody; a device with several replies distinguishes them by its bind index."""
    bench = Bench()
    art = {"src": "2.0.0.9", "protocol": Protocol.ARTNET}
    bench.feed(
        [
            Sent(START, artnet(bytes(8), universe=5), **art),
            Sent(START + MS, artnet(bytes(8)), "2.0.0.8", protocol=Protocol.ARTNET),
        ]
    )
    replies = [
        _input_of(artnet_poll_reply("2.0.0.9", index, name), number)
        for index, name, number in ((1, b"Media deck", 1), (2, b"Media wall", 5))
    ]
    bench.feed([Sent(START + 2 * MS + n, reply, **art) for n, reply in enumerate(replies)])
    # A reply that another node's address sends is that node's own.
    bench.feed(
        [Sent(START + 9 * MS, artnet_poll_reply("2.0.0.9", 1, b"Somebody else"), "2.0.0.7", protocol=Protocol.ARTNET)]
    )
    bench.model.advance(START + 2 * SECOND)
    names = {row.address: row.source_name for row in bench.model.sources if row.address}
    assert names == {"2.0.0.9": "Media wall", "2.0.0.8": ""}


def test_the_other_leg_of_a_declared_desk_is_declared_by_its_cid() -> None:
    """ANSI E1.31-2018 5.6: the CID identifies a component, whatever address it has on a network."""
    bench = Bench(House(sources=(DeclaredSource("main desk", address="10.20.0.10", role="main"),)))
    bench.feed([Sent(START, e131(bytes(8), source=cid(1)), "10.21.0.10", network=1)])
    assert {row.declared_as for row in bench.model.sources} == {""}
    bench.feed([Sent(START + MS, e131(bytes(8), source=cid(1)), "10.20.0.10")])
    bench.feed([Sent(START + 2 * MS, e131(bytes(8), source=cid(2)), "10.21.0.11", network=1)])
    bench.feed([Sent(START + 3 * MS, e131(bytes(8), source=cid(1)), "10.20.0.99")])
    found = {(row.network, row.address): row.declared_as for row in bench.model.sources if row.address}
    assert found == {
        (0, "10.20.0.10"): "main desk",
        (1, "10.21.0.10"): "main desk",
        (1, "10.21.0.11"): "",
        (0, "10.20.0.99"): "main desk",
    }
    assert len(set(bench.model.first_legs().values())) == 2


def test_odd_packets_are_remembered_by_their_source() -> None:
    bench = Bench()
    bench.feed([Sent(START, e131(b"\1\1", source=bytes(16)))])
    assert "zero-cid" in bench.model.sources[source_row(bench)].odd


def test_odd_sync_and_discovery_packets_are_remembered_by_their_source() -> None:
    """ANSI E1.31-2018 5.4 and 8.5: flags are 7, a list rises, a page lies within the pages."""
    flags = bytearray(e131_sync(7))
    flags[16] = 0x20
    bench = Bench()
    odd_sync = artnet_sync()[:12] + b"\1\0"
    bench.feed(
        [
            Sent(START, bytes(flags)),
            Sent(START + MS, e131_discovery([2, 1], source=cid(2))),
            Sent(START + 2 * MS, e131_discovery([1, 2], page=3, last=0, source=cid(3))),
            Sent(START + 3 * MS, odd_sync, protocol=Protocol.ARTNET),
        ]
    )
    odd = {row.source_id: row.odd for row in bench.model.sources if row.address}
    assert odd == {cid(1): ("flags",), cid(2): ("discovery-unsorted",), cid(3): ("discovery-pages",)}
    bench.feed([Sent(START + SECOND, artnet(bytes(2)), protocol=Protocol.ARTNET)])
    bench.feed([Sent(START + 2 * SECOND, odd_sync, protocol=Protocol.ARTNET)])
    (art,) = (row for row in bench.model.sources if row.protocol == Protocol.ARTNET)
    assert art.odd == ("reserved-bits",)


def test_which_identities_are_at_several_addresses_follows_those_that_come_and_go() -> None:
    """Reference: the rows of each identity, counted."""
    chance = random.Random(3)
    sources = Sources(House())
    several = 0
    for _ in range(400):
        if sources.filled > 6:
            sources.forget(chance.choice(sources.rows().tolist()))
        else:
            identity = bytes([chance.randrange(4)]) * 16
            sources.find_or_add((chance.randrange(2), Protocol.E131, identity, bytes([chance.randrange(5)]) * 16), 1)
        expected = {identity for identity, rows in sources.addresses.items() if len(rows) > 1}
        assert sources.shared == expected
        several += bool(expected)
    assert 50 < several < 400
