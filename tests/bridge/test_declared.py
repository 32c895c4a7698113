"""The bridge declares itself: what its routes feed is no stranger's."""

from __future__ import annotations

from slotwatch.bridge.declared import OWN_NAME, declare_own, declared_addresses
from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House, Route
from slotwatch.wire.universe import Protocol, UniverseId

CID = bytes(range(16))
IN, OUT, NODE = UniverseId(Protocol.E131, 1), UniverseId(Protocol.E131, 112), UniverseId(Protocol.ARTNET, 3)
DESK = DeclaredSource("main desk", address="10.0.0.1")


def test_a_house_without_routes_stays_as_it_is() -> None:
    house = House(sources=(DESK,), routes=(Route("line", IN, target_serial="/dev/ttyUSB0"),))
    assert declare_own(house, CID) == house


def test_universes_of_either_protocol_are_declared_and_not_expected_by_themselves() -> None:
    routes = (Route("copy", IN, target=OUT, priority=50), Route("node", IN, target=NODE))
    found = declare_own(House(universes=(DeclaredUniverse(IN),), sources=(DESK,), routes=routes), CID)
    assert [(one.id, one.label, one.expected) for one in found.universes[1:]] == [
        (OUT, "copy", False),
        (NODE, "node", False),
    ]
    # E1.31-2018 appendix A: 2.5 s; Art-Net 4 gives nodes 10 s before they drop a merge partner.
    assert [one.limits.loss_timeout_s for one in found.universes[1:]] == [2.5, 10.0]
    assert [(one.name, one.cid, one.priority) for one in found.sources[1:]] == [(OWN_NAME, CID, 50)]


def test_who_may_send_a_universe_is_joined_by_the_bridge_where_packets_name_it() -> None:
    universes = tuple(DeclaredUniverse(one, sources=("main desk",)) for one in (OUT, NODE))
    routes = (Route("copy", IN, target=OUT), Route("node", IN, target=NODE))
    found = declare_own(House(universes=universes, sources=(DESK,), routes=routes), CID)
    assert [one.sources for one in found.universes] == [("main desk", OWN_NAME), ("main desk",)]


def test_art_net_alone_declares_no_source() -> None:
    house = House(sources=(DESK,), routes=(Route("node", IN, target=NODE),))
    assert declare_own(house, CID).sources == (DESK,)


def test_declared_addresses_are_those_of_packets() -> None:
    """IPv4 as ::ffff:a.b.c.d (RFC 4291 2.5.5.2), as packets of either family are kept."""
    both = DeclaredSource("media server", address="10.0.0.7", other_addresses=("fd00::7",))
    house = House(sources=(DESK, both, DeclaredSource("by its name", source_name="Desk C")))
    assert declared_addresses(house) == {
        bytes.fromhex("00000000000000000000ffff0a000001"),
        bytes.fromhex("00000000000000000000ffff0a000007"),
        bytes.fromhex("fd000000000000000000000000000007"),
    }
