"""Which switch ports this computer's leads are in: asked of the slotwatch that runs here, or heard by LLDP.

Nothing is sent. A switch announces a port every 30 s as a rule (IEEE 802.1AB 9.2.5.7), so listening takes that long.
"""

from __future__ import annotations

import json
import select
from dataclasses import replace

from slotwatch import clock
from slotwatch.edge.judging.igmp_in import GroupWatch
from slotwatch.edge.shared.interfaces import InterfaceTable, read_interfaces
from slotwatch.edge.tools.computer import HostCheck
from slotwatch.edge.tools.daemon_client import DaemonClient
from slotwatch.errors import EdgeError
from slotwatch.house.schema import House, Network
from slotwatch.judge.ports import Ports
from slotwatch.wire.observation import PortSeen, QuerierWatchSeen

ASKED_WITHIN_S = 2.0
ANNOUNCED_EVERY_S = 30
WHAT = "switch port"
HOW = f"to wait for it: slotwatch host --listen {ANNOUNCED_EVERY_S + 5}"


def running_here(house: House) -> list[HostCheck]:
    """What the daemon of this house has heard; one line that says how to hear it where none answers."""
    try:
        answer = json.loads(DaemonClient.of_house(house).ask("/api/v1/network", within_s=ASKED_WITHIN_S))
        rows = [(one["network"], one["port"], one["description"], one["switch"]) for one in answer["neighbours"]]
    except (EdgeError, ValueError, KeyError, TypeError):
        return [HostCheck(WHAT, True, f"not known: no slotwatch that runs here reports it; {HOW}")]
    if not rows:
        return [HostCheck(WHAT, True, "no switch announces itself at this computer's leads (LLDP)")]
    return [_found(*row) for row in rows]


def heard_here(house: House, listen_s: float) -> list[HostCheck]:
    """Listen for this time, and give each lead's port, or that none was announced. It ends early once each lead has
    one."""
    watched = _by_interface(house, read_interfaces())
    names = tuple(network.name for network in watched.networks)
    ports, refused = Ports(), ""
    watch = GroupWatch(watched)
    try:
        end_ns = clock.monotonic_ns() + round(listen_s * 1e9)
        while (now_ns := clock.monotonic_ns()) < end_ns and not refused:
            ready = set(select.select(watch.fds(), [], [], min(0.5, (end_ns - now_ns) / 1e9))[0])
            for seen in watch.read(ready, clock.monotonic_ns()):
                if isinstance(seen, PortSeen):
                    ports.take(seen)
                elif isinstance(seen, QuerierWatchSeen) and not seen.watched:
                    refused = seen.reason
            if names and ports.networks() == list(range(len(names))):
                break
    finally:
        watch.close()
    rows = ports.rows(clock.monotonic_ns(), names)
    if refused and not rows:
        return [HostCheck(WHAT, True, f"not known: {refused}")]
    silent = [name for name in names if name not in {row.network for row in rows}]
    return [_found(row.network, row.port, row.description, row.switch) for row in rows] + [
        HostCheck(f"{WHAT} of {name}", True, f"no switch announced itself within {listen_s:.0f} s (LLDP)")
        for name in silent
    ]


def _by_interface(house: House, table: InterfaceTable) -> House:
    """The house with its networks, or else with one network for each interface of this computer."""
    if house.networks:
        return house
    names = sorted(one.name for one in table.by_index.values() if one.up and not one.loopback)
    return replace(house, networks=tuple(Network(name, name) for name in names))


def _found(network: object, port: object, description: object, switch: object) -> HostCheck:
    more = f" ({description})" if description not in ("", port) else ""
    return HostCheck(f"{WHAT} of {network}", True, f"port {port}{more} of switch {switch}")
