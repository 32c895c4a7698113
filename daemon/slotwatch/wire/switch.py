"""What a switch says of itself, as values: its ports, and the tables of what is connected to them.

All numbers are the switch's own. Its clock is its up time, so a moment is given as seconds before it was read.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SwitchPort:
    """One port (IF-MIB, RFC 2863)."""

    index: int
    """ifIndex: what the switch's own tables call it."""
    name: str
    """ifName, as the switch labels it."""
    description: str = ""
    """ifAlias: what a person wrote."""
    up: bool = False
    """ifOperStatus is up."""
    changed_s: float | None = None
    """How long ago that changed (ifLastChange); None: the switch does not say, or it was before its own restart."""
    speed_mbps: int | None = None
    half_duplex: bool | None = None
    """None: not known (EtherLike-MIB, RFC 3635)."""
    errors: int | None = None
    """ifInErrors and ifOutErrors. None: not known."""
    discards: int | None = None
    """ifInDiscards and ifOutDiscards."""
    power: str = ""
    """Power over Ethernet: off | searching | delivering | fault; empty: not known (RFC 3621)."""


@dataclass(frozen=True, slots=True)
class SwitchNeighbour:
    """What announced itself by LLDP at a port (IEEE 802.1AB)."""

    port: int
    """ifIndex of the port here."""
    chassis: str
    remote_port: str = ""
    remote_description: str = ""
    system_name: str = ""


@dataclass(frozen=True, slots=True)
class SwitchTables:
    """What changes seldom, read once a minute."""

    chassis: str = ""
    """Its own LLDP chassis, by which its neighbours know it."""
    macs: tuple[tuple[str, int], ...] = ()
    """(device address, ifIndex of the port that it was learnt on): BRIDGE-MIB, Q-BRIDGE-MIB."""
    neighbours: tuple[SwitchNeighbour, ...] = ()
    addresses: tuple[tuple[str, str], ...] = ()
    """(IP address, device address) that the switch itself resolved (RFC 4293)."""
    groups: tuple[tuple[str, int], ...] = ()
    """(group, ifIndex): IGMP-STD-MIB, RFC 2933."""
    querier: str = ""
    """The first of `queriers`."""
    offers: tuple[str, ...] = ()
    """Which tables gave anything: macs, neighbours, addresses, groups, power."""
    cut: bool = False
    """Whether a table was longer than what is read of one."""
    queriers: tuple[tuple[int, str], ...] = ()
    """(ifIndex, address) of the querier on each of its interfaces: IGMP-STD-MIB, RFC 2933."""


@dataclass(frozen=True, slots=True)
class SwitchState:
    """The answer to one poll."""

    system_name: str
    uptime_ticks: int
    """sysUpTime in hundredths of a second: since its management began. It wraps after 497 days."""
    host_uptime_ticks: int | None = None
    """hrSystemUptime: since the device itself began; None: not known."""
    ports: tuple[SwitchPort, ...] = ()
    tables: SwitchTables | None = None
    """None: they were not read this time."""
