"""Which declared source a sender is, against a slow search; and what it costs where many are declared."""

from __future__ import annotations

import random
from ipaddress import ip_address

import numpy as np
import pytest

from slotwatch.house.schema import DeclaredSource, House
from slotwatch.model.declared_sources import DeclaredSources, address_bytes
from slotwatch.model.sources import Sources
from slotwatch.wire.decode import decode
from slotwatch.wire.universe import Protocol
from tests.model.packets import MS, START, Bench, Sent, batch_of, cid, e131
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


@pytest.mark.parametrize("known_by", ["cid", "address", "name"])
def test_a_new_sender_costs_the_same_whether_few_or_many_sources_are_declared(known_by: str) -> None:
    """With 800 declared a flood of 1,000 new senders a second took six seconds of each second."""

    def one(i: int) -> DeclaredSource:
        match known_by:
            case "cid":
                return DeclaredSource(f"{i}", cid=(i + 1).to_bytes(16, "little"))
            case "address":
                return DeclaredSource(f"{i}", address=f"10.30.{i >> 8}.{i & 255}")
        return DeclaredSource(f"{i}", source_name=f"Desk {i}")

    def cost(declared: int) -> int:
        bench = Bench(House(sources=tuple(map(one, range(declared)))))
        sent = [Sent(START + i * MS, e131(b"\1", source=cid(i), universe=1 + i), "10.9.0.1") for i in range(1000)]
        with steps() as ran:
            bench.feed_split(sent, [64])
        assert bench.model.sources.filled == 1000
        return ran.count

    assert cost(4000) < 1.5 * cost(8)


LONGEST = "n" * 63
"""A name field holds 63 bytes and a zero (ANSI E1.31-2018 6.2.2)."""


def test_which_newcomers_carry_a_sign_of_a_declared_source() -> None:
    sources = (
        DeclaredSource("by CID", cid=cid(1)),
        DeclaredSource("by address", address="10.20.0.10"),
        DeclaredSource("by name", source_name="Desk A"),
        DeclaredSource("by the longest name", source_name=LONGEST),
    )
    expected = {
        ("10.9.0.1", 1, "x"): True,
        ("10.20.0.10", 2, "x"): True,
        ("10.9.0.2", 3, "Desk A"): True,
        ("10.9.0.3", 4, LONGEST): True,
        ("10.9.0.4", 5, "Desk AB"): False,
        ("10.9.0.5", 6, "Desk "): False,
        ("10.9.0.6", 7, LONGEST + "n"): False,
        ("10.9.0.7", 8, ""): False,
    }
    sent = [
        Sent(START, e131(b"\1", source=cid(number), name=name.encode()), address) for address, number, name in expected
    ]
    batch = batch_of(sent)
    known = Sources(House(sources=sources))
    found = known.may_be_declared(batch, decode(batch), np.arange(len(sent)))
    assert found.tolist() == list(expected.values())
