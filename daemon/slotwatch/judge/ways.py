"""Switch ports that sources and receivers are connected to, and those that the show depends on."""

from __future__ import annotations

from collections.abc import Iterable

from slotwatch.house.schema import Phase
from slotwatch.judge.cabling import Cabling, PortKey, SwitchPlace, say_port
from slotwatch.judge.context import RuleContext
from slotwatch.judge.last_show import LastShow
from slotwatch.judge.listener import Listener
from slotwatch.judge.switches import PortRecord
from slotwatch.snapshot.switches import PlaceRow


def device_address(listener: Listener, cabling: Cabling, network: int, address: str) -> str:
    """Give the device address behind an IP address: from this computer's own table, from ARP, else from a switch."""
    return listener.neighbours.device_address(network, address) or cabling.mac_of(address)


def cabling_of(ctx: RuleContext) -> Cabling:
    """Give the cabling, brought up to date with the newest answers of the switches."""
    return ctx.listener.cabling.follow(ctx.listener.switches, ctx.house.switches)


def place_of_source(ctx: RuleContext, source: int) -> SwitchPlace | None:
    """Give the port that a source is connected to, or was when it was last heard; None: not known."""
    row, cabling = ctx.sources[source], cabling_of(ctx)
    mac = ctx.listener.neighbours.device_at(row.network, row.address, row.last_seen_ns)
    return cabling.place_of(mac or cabling.mac_of(row.address))


def port_at(ctx: RuleContext, place: SwitchPlace) -> PortRecord | None:
    """Give what is known of the port at a place; None: its switch did not list it in its last answer."""
    record = ctx.listener.switches.get(place.switch)
    return record.ports.get(place.index) if record else None


def place_row(ctx: RuleContext, network: int, address: str) -> PlaceRow | None:
    """Give the switch port that the device with an IP address is connected to; None: no switch knows."""
    if not ctx.house.switches:
        return None
    cabling = cabling_of(ctx)
    place = cabling.place_of(device_address(ctx.listener, cabling, network, address))
    record = port_at(ctx, place) if place else None
    return PlaceRow(place.switch, record.port.name, record.port.description, place.via) if place and record else None


def stopped_with_their_ports(ctx: RuleContext, sources: Iterable[int], from_ns: int, to_ns: int) -> bool:
    """Whether the own port of each of these sources went down in a span of time."""
    if not ctx.house.switches:
        return False
    for source in sources:
        place = place_of_source(ctx, source)
        port = port_at(ctx, place) if place else None
        if port is None or port.went_down(from_ns, to_ns) is None:
            return False
    return True


def say_place(ctx: RuleContext, place: SwitchPlace) -> str:
    """Name a place as its switch labels it: `port 3 of switch FOH`."""
    return say_port(port_at(ctx, place), place)


def ports_in_use(ctx: RuleContext) -> dict[PortKey, list[str]]:
    """Give the ports that the show depends on, each with the names of what is connected to it.

    Rules ask for it by `ctx.once`.
    """
    found: dict[PortKey, list[str]] = {}
    cabling = cabling_of(ctx)
    for port in sorted(cabling.uplinks()):
        far = cabling.far_switch(port)
        found[port] = [f"switch {far}" if far else "a link to another switch"]
    for name, place in (*_declared_sources(ctx), *_receivers(ctx, cabling)):
        names = found.setdefault((place.switch, place.index), [])
        if name not in names:
            names.append(name)
    return found


def last_show(ctx: RuleContext) -> LastShow:
    """Give what the last show had; while a show runs, with what this pass sees."""
    listener = ctx.listener
    if ctx.phase is Phase.SHOW:
        in_use = ctx.once(ports_in_use) if ctx.house.switches else {}
        listener.last_show.follow(ctx, ctx.phase_since_ns, listener.ports, listener.switches, in_use)
    return listener.last_show


def _declared_sources(ctx: RuleContext) -> Iterable[tuple[str, SwitchPlace]]:
    declared = ctx.model.sources.declared
    for row in ctx.sources:
        if declared[row] >= 0 and (place := place_of_source(ctx, row)):
            yield ctx.source_name(row), place


def _receivers(ctx: RuleContext, cabling: Cabling) -> Iterable[tuple[str, SwitchPlace]]:
    for receiver in ctx.house.receivers:
        for network in range(max(1, len(ctx.house.networks))):
            place = cabling.place_of(device_address(ctx.listener, cabling, network, receiver.address))
            if place is not None:
                yield receiver.name, place
                break
