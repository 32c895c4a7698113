"""Switches as rows of a snapshot: what each port carries, and what changed on it."""

from __future__ import annotations

from typing import TypedDict

from slotwatch.judge import ways
from slotwatch.judge.cabling import own_switch
from slotwatch.judge.context import RuleContext
from slotwatch.judge.listener import Listener
from slotwatch.judge.switches import PortRecord, SwitchRecord
from slotwatch.snapshot.switches import PlaceRow, SwitchPortRow, SwitchRow

AGAIN_NS = 1_000_000_000
MOST_SOURCES = 512
"""Sources that are named at their ports; declared ones are named always."""
THIS_LISTENER = "this listener"


class SwitchRows:
    """The rows as they were made last: they change once a second at most, and snapshots are made more often."""

    def __init__(self) -> None:
        self._rows: tuple[SwitchRow, ...] = ()
        self._made_ns = 0

    def rows(self, ctx: RuleContext | None) -> tuple[SwitchRow, ...]:
        """Give each declared switch, in the order of the house file."""
        if ctx is None or not ctx.house.switches:
            return ()
        if ctx.now_ns - self._made_ns >= AGAIN_NS or len(self._rows) != len(ctx.house.switches):
            self._rows, self._made_ns = _made(ctx), ctx.now_ns
        return self._rows


class Whereabouts(TypedDict):
    """Where a device is plugged in."""

    mac: str
    """Empty: not known."""
    place: PlaceRow | None


def where(listener: Listener, ctx: RuleContext | None, network: int, address: str) -> Whereabouts:
    """Give `mac`, the device that claims an IP address (empty: not known), and `place`, its switch port or None."""
    mac = ways.device_address(listener, listener.cabling, network, address)
    return {"mac": mac, "place": ways.place_row(ctx, network, address) if ctx else None}


def _made(ctx: RuleContext) -> tuple[SwitchRow, ...]:
    hanging = _hanging(ctx)
    announced = [
        seen for network in range(len(ctx.house.networks)) for seen in ctx.listener.ports.now(network, ctx.now_ns)
    ]
    own = own_switch(ctx.listener.switches, announced)
    own_ports = {seen.port for seen in announced} | {
        seen.port_description for seen in announced if seen.port_description
    }
    found = []
    for declared in ctx.house.switches:
        record = ctx.listener.switches.get(declared.name) or SwitchRecord(declared.name)
        state, tables, restart = record.state, record.tables, record.restart
        crowd: dict[int, int] = {}
        for _, index in tables.macs:
            crowd[index] = crowd.get(index, 0) + 1
        ports = tuple(
            _port(ctx, record.name, port, hanging, crowd.get(index, 0), own_ports if record.name == own else set())
            for index, port in record.ports.items()
        )
        found.append(
            SwitchRow(
                declared.name,
                declared.address,
                record.answers,
                "" if record.answers else record.reason,
                record.answered_ns,
                state.system_name if state else "",
                record.began_ns() if state else 0,
                restart.moment.middle_ns if restart else 0,
                tables.querier,
                len(tables.groups),
                tables.offers,
                tables.cut,
                record.name == own,
                ports,
            )
        )
    return tuple(found)


def _port(
    ctx: RuleContext,
    switch: str,
    record: PortRecord,
    hanging: dict[tuple[str, int], list[str]],
    devices: int,
    own_ports: set[str],
) -> SwitchPortRow:
    port, key = record.port, (switch, record.port.index)
    cabling = ways.cabling_of(ctx)
    names = list(hanging.get(key, ()))
    if port.name in own_ports or (port.description and port.description in own_ports):
        names.append(THIS_LISTENER)
    last = record.changes[-1] if record.changes else None
    errors, discards = record.raw
    return SwitchPortRow(
        port.name,
        port.description,
        port.up,
        last.moment.middle_ns if last else 0,
        len(record.changes),
        port.speed_mbps,
        port.half_duplex,
        errors,
        discards,
        record.counted,
        None if record.show_counted is None else record.counted - record.show_counted,
        port.power,
        cabling.is_uplink(key),
        cabling.far_switch(key),
        tuple(names),
        devices,
        key in ctx.once(ways.ports_in_use),
    )


def _hanging(ctx: RuleContext) -> dict[tuple[str, int], list[str]]:
    """Names of all that is heard, by the port that it is connected to; leads between switches are named by `far`."""
    cabling = ways.cabling_of(ctx)
    found = {key: list(names) for key, names in ctx.once(ways.ports_in_use).items() if not cabling.is_uplink(key)}
    for row in list(ctx.sources)[:MOST_SOURCES]:
        place = ways.place_of_source(ctx, row)
        name = ctx.source_name(row)
        if place is not None:
            names = found.setdefault((place.switch, place.index), [])
            if name not in names:
                names.append(name)
    return found
