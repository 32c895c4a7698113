"""What kind of address a stream is sent to."""

from __future__ import annotations

import random
from ipaddress import ip_address

import numpy as np
import pytest

from slotwatch.model.destinations import Destination, destinations, is_multicast
from slotwatch.wire.universe import Protocol
from tests.model.packets import MS, START, Bench, Sent, artnet, cid, e131, octets

CASES = (
    # ANSI E1.31-2018 9.3.1: 239.255.hi.lo.
    ("239.255.0.7", 7, (Destination.OWN_GROUP, 7)),
    ("239.255.1.4", 260, (Destination.OWN_GROUP, 260)),
    ("239.255.1.4", 261, (Destination.OTHER_GROUP, 260)),
    # 9.3.2: ff18::8300:hhll.
    ("ff18::8300:104", 260, (Destination.OWN_GROUP, 260)),
    ("ff18::8300:104", 4, (Destination.OTHER_GROUP, 260)),
    # Any other multicast: RFC 5771 (224/4), RFC 4291 2.7 (ff00::/8).
    ("224.0.0.1", 7, (Destination.OTHER_GROUP, 0)),
    ("239.254.0.7", 7, (Destination.OTHER_GROUP, 0)),
    ("ff02::1", 7, (Destination.OTHER_GROUP, 0)),
    # RFC 919: the limited broadcast. A directed one looks like unicast without the mask.
    ("255.255.255.255", 7, (Destination.BROADCAST, 0)),
    ("10.255.255.255", 7, (Destination.UNICAST, 0)),
    ("10.0.0.9", 7, (Destination.UNICAST, 0)),
    ("fd00::9", 7, (Destination.UNICAST, 0)),
)


def kinds_of(*sent: tuple[bytes, int]) -> list[tuple[int, int]]:
    """What the address is that each packet of a universe was sent to, and whose group."""
    addresses = np.frombuffer(b"".join(address for address, _ in sent), np.uint8).reshape(-1, 16)
    kinds, of = destinations(addresses, np.array([universe for _, universe in sent], np.uint16))
    return list(zip(kinds.tolist(), of.tolist(), strict=True))


@pytest.mark.parametrize(("address", "universe", "expected"), CASES)
def test_each_kind_of_address(address: str, universe: int, expected: tuple[Destination, int]) -> None:
    assert kinds_of((octets(address), universe)) == [expected]
    assert is_multicast(np.array([expected[0]], np.uint8)).tolist() == [ip_address(address).is_multicast]


def test_addresses_of_many_packets_are_judged_each_by_itself() -> None:
    sent = [(octets(address), universe) for address, universe, _ in CASES]
    assert kinds_of(*sent, (bytes(16), 7)) == [*(expected for _, _, expected in CASES), (Destination.UNKNOWN, 0)]


def test_an_address_that_is_not_known() -> None:
    assert kinds_of((bytes(16), 7)) == [(Destination.UNKNOWN, 0)]
    assert not is_multicast(np.array([Destination.UNKNOWN], np.uint8)).any()


def test_destinations_are_kept_however_packets_are_cut_into_batches() -> None:
    """Senders to one address, to several in turn, and to other universes' groups. Reference: one packet a batch."""
    chance = random.Random(7)
    groups = [f"239.255.0.{number}" for number in range(1, 12)] + ["10.0.0.9", "255.255.255.255", "ff18::8300:3", ""]
    sent = []
    for index in range(1500):
        who = chance.randrange(1, 12)
        habits = groups[:who] if who % 3 == 0 else [groups[who - 1]]
        to = chance.choice(groups) if chance.random() < 0.02 else chance.choice(habits)
        packet = e131(bytes(8), universe=who, source=cid(who), sequence=index % 256)
        if who % 4 == 3:
            sent.append(Sent(START + index * 2 * MS, artnet(bytes(8), universe=who), dst=to, protocol=Protocol.ARTNET))
        else:
            sent.append(Sent(START + index * 2 * MS, packet, dst=to))
    one_by_one, *others = (Bench() for _ in range(4))
    one_by_one.feed_split(sent, [1])
    expected = kept(one_by_one)
    assert max(expected["destinations"]) > 2 and any(expected["last_wrong_group_ns"])
    for bench, sizes in zip(others, ([len(sent)], [3, 50], [200]), strict=True):
        bench.feed_split(sent, sizes)
        assert kept(bench) == expected


def test_a_new_stream_has_none_of_the_addresses_of_the_one_that_had_its_row() -> None:
    """Counted as if it had never had another row. The first stream sends to two addresses in turn."""
    first = [
        Sent(START + index * 20 * MS, e131(bytes(8), sequence=index), dst=f"10.0.0.{8 + index % 2}")
        for index in range(20)
    ]
    second = [
        Sent(START + (420 + index * 20) * MS, e131(bytes(8), source=cid(2), sequence=index), dst=f"10.0.0.{index + 1}")
        for index in range(2)
    ]
    used, fresh = Bench(), Bench()
    used.feed(first)
    used.model.streams.forget(used.stream())
    for bench in (used, fresh):
        bench.feed_split(second, [1])
    assert kept(used)["destinations"] == kept(fresh)["destinations"] == [2]


def kept(bench: Bench) -> dict[str, list[int]]:
    """All that is known of where streams are sent to."""
    names = ("number", "last_destination", "destination_kind", "destination_universe", "destinations")
    names += ("destinations_ns", "last_wrong_group_ns", "wrong_group")
    streams = bench.model.streams
    return {name: getattr(streams, name)[: streams.top].tolist() for name in names}
