"""The bridge declares itself, so that its own streams are declared on the universes that its routes feed."""

from __future__ import annotations

from dataclasses import replace
from ipaddress import ip_address

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House
from slotwatch.wire.universe import Protocol

OWN_NAME = "slotwatch bridge"


def declare_own(house: House, cid: bytes) -> House:
    """Add the bridge as a source, and the universes that its routes feed where the file names none.

    A universe that only a route feeds is not expected: it is silent while the route's input is silent. Art-Net names no
    sender, so there the bridge is not declared: another program may have the same address.
    """
    fed = {route.target: route for route in house.routes if route.target}
    if not fed:
        return house
    e131 = [route.priority for target, route in fed.items() if target.protocol is Protocol.E131]
    own = (DeclaredSource(OWN_NAME, cid=cid, priority=max(e131)),) if e131 else ()
    named = {target for target in fed if target.protocol is Protocol.E131}
    universes = [
        replace(one, sources=(*one.sources, OWN_NAME)) if one.id in named and one.sources else one
        for one in house.universes
    ]
    return declare_fed(replace(house, sources=(*house.sources, *own), universes=tuple(universes)))


def declare_fed(house: House) -> House:
    """Add the universes that routes feed where the file names none. A recording does not say who the bridge was."""
    declared = {universe.id for universe in house.universes}
    fed = {route.target: route for route in house.routes if route.target and route.target not in declared}
    if not fed:
        return house
    universes = (
        DeclaredUniverse(
            target,
            label=route.name,
            expected=False,
            networks=(route.to_network or 0,),
            limits=house.limits_of(target),
        )
        for target, route in fed.items()
    )
    return replace(house, universes=(*house.universes, *universes))


def declared_addresses(house: House) -> set[bytes]:
    """Give the addresses of declared sources as packets carry them: 16 bytes each, IPv4 as ::ffff:a.b.c.d."""
    found = set()
    for source in house.sources:
        for declared in source.addresses:
            address = ip_address(declared)
            found.add(address.packed if address.version == 6 else bytes(10) + b"\xff\xff" + address.packed)
    return found
