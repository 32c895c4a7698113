"""The bridge declares itself: its own streams are no strangers on the universes that its routes feed."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.house.schema import DeclaredSource, DeclaredUniverse, House
from slotwatch.wire.universe import Protocol

OWN_NAME = "slotwatch bridge"


def declare_own(house: House, cid: bytes) -> House:
    """Add the bridge as a source, and the E1.31 universes that its routes feed where the file names none.

    A universe that is only fed by a route is not expected by itself: while its input is silent, so is it.
    """
    fed = {route.target: route for route in house.routes if route.target and route.target.protocol is Protocol.E131}
    if not fed:
        return house
    own = DeclaredSource(OWN_NAME, cid=cid, priority=max(route.priority for route in fed.values()))
    declared = {universe.id for universe in house.universes}
    universes = [
        replace(one, sources=(*one.sources, OWN_NAME)) if one.id in fed and one.sources else one
        for one in house.universes
    ]
    universes += [
        DeclaredUniverse(target, label=route.name, expected=False, networks=(route.to_network or 0,))
        for target, route in fed.items()
        if target not in declared
    ]
    return replace(house, sources=(*house.sources, own), universes=tuple(universes))
