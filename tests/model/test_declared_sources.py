"""Which declared source a sender is, against a slow search; and what it costs where many are declared."""

from __future__ import annotations

import random
from ipaddress import ip_address

import pytest

from slotwatch.house.schema import DeclaredSource, House
from slotwatch.model.declared_sources import DeclaredSources, address_bytes
from slotwatch.wire.universe import Protocol
from tests.model.packets import MS, START, Bench, Sent, cid, e131
from tests.steps import steps

ADDRESSES = ("10.20.0.10", "10.20.0.11", "fe80::1")
NAMES = ("Desk A", "Desk B")


def first_that_matches(house: House, protocol: int, source_id: bytes, address: str, name: str) -> int:
    """docs/house-file.md, [[sources]]: every field that is given must match."""
    for index, one in enumerate(house.sources):
        given = [
            one.cid is None or (one.cid == source_id and protocol == Protocol.E131),
            not one.addresses or ip_address(address) in {ip_address(each) for each in one.addresses},
            one.source_name is None or one.source_name == name,
        ]
        if all(given) and (one.cid, one.address, one.source_name) != (None, None, None):
            return index
    return -1


@pytest.mark.parametrize("seed", range(20))
def test_the_first_declared_source_of_which_every_field_matches_is_found(seed: int) -> None:
    random_ = random.Random(seed)
    sources = tuple(
        DeclaredSource(
            f"source {number}",
            cid=random_.choice((None, cid(1), cid(2))),
            address=(address := random_.choice((None, *ADDRESSES))),
            other_addresses=(random_.choice(ADDRESSES),) if address and random_.random() < 0.3 else (),
            source_name=random_.choice((None, None, *NAMES)),
        )
        for number in range(6)
    )
    known, house = DeclaredSources(House(sources=sources)), House(sources=sources)
    for protocol in (Protocol.E131, Protocol.ARTNET):
        for source_id in (cid(1), cid(2), cid(3)):
            for address in (*ADDRESSES, "10.20.0.99"):
                for name in (*NAMES, ""):
                    expected = first_that_matches(house, protocol, source_id, address, name)
                    assert known.find(protocol, source_id, address_bytes(address), name) == expected


def test_a_new_sender_costs_the_same_whether_few_or_many_sources_are_declared() -> None:
    """With 800 declared a flood of 1,000 new senders a second took six seconds of each second."""

    def cost(declared: int) -> int:
        sources = tuple(DeclaredSource(f"{i}", address=f"10.30.{i >> 8}.{i & 255}") for i in range(declared))
        bench = Bench(House(sources=sources))
        sent = [Sent(START + i * MS, e131(b"\1", source=cid(i), universe=1 + i), "10.9.0.1") for i in range(1000)]
        with steps() as ran:
            bench.feed_split(sent, [64])
        assert bench.model.sources.filled == 1000
        return ran.count

    assert cost(800) < 2 * cost(8)
